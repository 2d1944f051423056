package control

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"time"
)

// longestPath is what fits into a socket address on every system (sun_path of Linux is 108 bytes, of others 104).
const longestPath = 103

// listen binds a socket at path that only its owner can use. The socket is made
// in a private directory and then moved into place, so there is no moment at which
// a stranger could connect, and what a dead daemon left behind is replaced in one step.
func listen(path string) (net.Listener, error) {
	if len(path) > longestPath {
		return nil, fmt.Errorf("control socket %s: the path is longer than %d bytes; configure a shorter one", path, longestPath)
	}
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	if err := free(path); err != nil {
		return nil, err
	}
	private, err := os.MkdirTemp(dir, ".s")
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	defer os.RemoveAll(private)
	listener, err := net.ListenUnix("unix", &net.UnixAddr{Name: filepath.Join(private, "s"), Net: "unix"})
	if err != nil {
		return nil, fmt.Errorf("control socket %s: %w", path, err)
	}
	listener.SetUnlinkOnClose(false) // it is about to have another name
	err = os.Chmod(filepath.Join(private, "s"), 0o600)
	if err == nil {
		err = os.Rename(filepath.Join(private, "s"), path)
	}
	if err != nil {
		return nil, errors.Join(fmt.Errorf("control socket %s: %w", path, err), listener.Close())
	}
	return listener, nil
}

// free reports why path cannot be taken: a living daemon, or something that is not a socket.
func free(path string) error {
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil
	case err != nil:
		return fmt.Errorf("control socket %s: %w", path, err)
	case info.Mode().Type() != fs.ModeSocket:
		return fmt.Errorf("control socket %s: a file that is not a socket has this name; move it or configure another path", path)
	}
	conn, err := net.DialTimeout("unix", path, 2*time.Second)
	if err == nil {
		_ = conn.Close()
		return fmt.Errorf("control socket %s: another nightcell is listening there; stop it or configure another path", path)
	}
	return nil // left behind by a daemon that is gone
}
