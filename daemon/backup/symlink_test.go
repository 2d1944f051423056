package backup

import (
	"io"
	"os"
	"path/filepath"
	"slices"
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

// TestLinksBelowTheData are named, once each, and not followed.
func TestLinksBelowTheData(t *testing.T) {
	d := t.TempDir()
	data := filepath.Join(d, "data")
	if err := os.MkdirAll(filepath.Join(data, "runs"), 0o700); err != nil {
		t.Fatal(err)
	}
	for link, to := range map[string]string{"runs/zinc-1": d, "note": "nothing", "late.lock": "held"} {
		if err := os.Symlink(to, filepath.Join(data, filepath.FromSlash(link))); err != nil {
			t.Skip("no symbolic links here: ", err)
		}
	}
	done, err := Copy(data, filepath.Join(d, "copy"), nil)
	if err != nil || done.Files != 0 || !slices.Equal(done.Links, []string{"note", filepath.Join("runs", "zinc-1")}) {
		t.Errorf("%+v, %v", done, err)
	}
}
