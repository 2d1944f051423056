package daemon

import (
	"log/slog"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"golang.org/x/sync/errgroup"

	"nightcell/configs"
)

// A disk that turned read-only in the night must not keep a restarted watch from counting: it does without the socket.
// A path that is merely wrong is still a mistake.
func TestAReadOnlyDiskCostsTheSocketAlone(t *testing.T) {
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "ro,size=64k", "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("a file system cannot be mounted here: %s", out)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("umount: %v, %s", err, out)
		}
	})
	listen := func(socket string) error {
		d := &Daemon{o: Options{Config: &configs.Config{Socket: socket}, Log: slog.New(slog.DiscardHandler)}}
		return d.serveControl(t.Context(), new(errgroup.Group))
	}
	if err := listen(filepath.Join(dir, "run", "control.sock")); err != nil {
		t.Errorf("read-only: %v", err)
	}
	plain := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(plain, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := listen(filepath.Join(plain, "control.sock")); err == nil {
		t.Error("a socket below a plain file is taken for served")
	}
}
