//go:build unix && !linux

package line

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TIOCGETA
	setTermios = unix.TIOCSETA
)

func flushOutput(fd int) error {
	const write = 2 // FWRITE of <sys/fcntl.h>
	return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, write)
}

func (d *device) adopt() error { return nil }
