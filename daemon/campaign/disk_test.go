//go:build linux

package campaign

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// disk is a small disk of its own where the machine lets us mount one, and else a
// plain folder that cannot be filled.
type disk struct {
	dir     string
	mounted bool
}

func newDisk(t *testing.T) disk {
	t.Helper()
	d := disk{dir: filepath.Join(t.TempDir(), "data")}
	if err := os.Mkdir(d.dir, 0o750); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=64m,mode=0750", "tmpfs", d.dir).CombinedOutput(); err != nil {
		t.Logf("no disk of its own (%v: %s): it is not filled in this run", err, out)
		return d
	}
	d.mounted = true
	t.Cleanup(func() {
		if out, err := exec.Command("umount", d.dir).CombinedOutput(); err != nil {
			t.Errorf("unmounting: %v: %s", err, out)
		}
	})
	return d
}

func (d disk) ballast() string { return filepath.Join(d.dir, "ballast") }

// fill takes all the room that there is, to the last byte.
func (d disk) fill(t *testing.T) {
	t.Helper()
	f, err := os.Create(d.ballast())
	if err != nil {
		return // no room even for that: it is full already
	}
	block := make([]byte, 1<<16)
	for err == nil {
		_, err = f.Write(block)
	}
	for n := len(block); n > 0; n /= 2 {
		_, _ = f.Write(block[:n])
	}
	_ = f.Close() // it is only ballast
}

// free gives the room back.
func (d disk) free(t *testing.T) {
	t.Helper()
	if err := os.Remove(d.ballast()); err != nil && !errors.Is(err, fs.ErrNotExist) {
		t.Fatal(err)
	}
}
