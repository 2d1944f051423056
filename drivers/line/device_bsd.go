//go:build unix && !linux

package line

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TIOCGETA
	setTermios = unix.TIOCSETA
	// The request that lets stopped output go on; it has no argument.
	resumeRequest = unix.TIOCSTART
	resumes       = 0
)

func flushOutput(fd int) error {
	const write = 2 // FWRITE of <sys/fcntl.h>
	return unix.IoctlSetPointerInt(fd, unix.TIOCFLUSH, write)
}
