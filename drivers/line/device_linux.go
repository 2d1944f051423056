package line

import "golang.org/x/sys/unix"

const (
	getTermios = unix.TCGETS
	setTermios = unix.TCSETS
	// The request that lets stopped output go on, and its argument, TCOON of <termios.h>.
	resumeRequest = unix.TCXONC
	resumes       = 1
)

func flushOutput(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) }
