package backup

import (
	"io"
	"os"
	"path/filepath"
	"testing"
)

// TestDataBehindALink: systemd makes the state directory of a dynamic user a symbolic link.
func TestDataBehindALink(t *testing.T) {
	d := t.TempDir()
	private, link := filepath.Join(d, "private"), filepath.Join(d, "data")
	if err := os.MkdirAll(filepath.Join(private, "routes", "zinc-1"), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(private, "routes", "zinc-1", "phone.json"), []byte("{}"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(private, link); err != nil {
		t.Skip("no symbolic links here: ", err)
	}
	if done, err := Copy(link, filepath.Join(d, "copy"), io.Discard); err != nil || done.Files != 1 {
		t.Errorf("%+v, %v", done, err)
	}
	if _, err := Copy(link, filepath.Join(private, "copy"), io.Discard); err == nil {
		t.Error("a copy inside the data was made through the link")
	}
}
