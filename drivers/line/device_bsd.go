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

func tryRead(fd int, p []byte) (int, error)  { return unix.Read(fd, p) }
func tryWrite(fd int, p []byte) (int, error) { return unix.Write(fd, p) }
func tryPoll(fds []unix.PollFd) (int, error) { return unix.Poll(fds, 0) }

func tryTermios(fd int) (unix.Termios, error) {
	t, err := unix.IoctlGetTermios(fd, getTermios)
	if err != nil {
		return unix.Termios{}, err
	}
	return *t, nil
}
