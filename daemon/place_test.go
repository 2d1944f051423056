package daemon

import (
	"errors"
	"fmt"
	"io/fs"
	"syscall"
	"testing"

	"nightcell/drivers/lock"
)

// TestLasting: only what nobody but a person mends keeps systemd from the next start.
func TestLasting(t *testing.T) {
	for _, c := range []struct {
		err  error
		want bool
	}{
		{errors.New("the token is short"), true},
		{&fs.PathError{Op: "open", Path: "key", Err: syscall.ENOENT}, true},
		{fmt.Errorf("read secret: %w", &fs.PathError{Op: "open", Path: "key", Err: syscall.EACCES}), true},
		{syscall.ENOTDIR, true},
		{errors.Join(errors.New("the token is short"), syscall.EMFILE), false},
		{&fs.PathError{Op: "read", Path: "key", Err: syscall.EIO}, false},
		{syscall.ENOSPC, false},
		{&lock.HeldError{PID: 7}, false},
	} {
		var setup *SetupError
		if err := lasting(c.err); errors.As(err, &setup) != c.want || !errors.Is(err, c.err) {
			t.Errorf("%v: lasting %t, want %t", c.err, !c.want, c.want)
		}
	}
}
