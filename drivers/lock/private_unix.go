//go:build unix

package lock

import (
	"fmt"
	"os"
	"syscall"
)

const noFollow = syscall.O_NOFOLLOW

// private reports, as an error, that others than this user can write to a folder: that it
// belongs to another, or that its permissions let everybody or its group in.
func private(dir string) error {
	info, err := os.Lstat(dir)
	if err != nil {
		return err
	}
	switch owner, known := info.Sys().(*syscall.Stat_t); {
	case !info.IsDir():
		return fmt.Errorf("%s is not a folder", dir)
	case known && int(owner.Uid) != os.Geteuid():
		return fmt.Errorf("%s belongs to another user (number %d)", dir, owner.Uid)
	case info.Mode().Perm()&0o022 != 0:
		return fmt.Errorf("others may write to %s (%s); chmod go-w %s", dir, info.Mode().Perm(), dir)
	}
	return nil
}
