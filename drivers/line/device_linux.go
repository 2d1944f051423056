package line

import (
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

const (
	getTermios = unix.TCGETS
	setTermios = unix.TCSETS
	// The request that lets stopped output go on, and its argument, TCOON of <termios.h>.
	resumeRequest = unix.TCXONC
	resumes       = 1
)

func flushOutput(fd int) error { return unix.IoctlSetInt(fd, unix.TCFLSH, unix.TCOFLUSH) }

// The calls of each exchange, on a descriptor that never waits. They are made without telling the runtime: at each call it is
// told of, it may wake its monitor, which then looks every few microseconds whether the call lasts, and costs more than an exchange.

func tryRead(fd int, p []byte) (int, error) {
	return made(syscall.RawSyscall(unix.SYS_READ, uintptr(fd), uintptr(unsafe.Pointer(unsafe.SliceData(p))), uintptr(len(p))))
}

func tryWrite(fd int, p []byte) (int, error) {
	return made(syscall.RawSyscall(unix.SYS_WRITE, uintptr(fd), uintptr(unsafe.Pointer(unsafe.SliceData(p))), uintptr(len(p))))
}

// tryPoll is a poll with no time to wait.
func tryPoll(fds []unix.PollFd) (int, error) {
	var none unix.Timespec
	return made(syscall.RawSyscall6(unix.SYS_PPOLL, uintptr(unsafe.Pointer(unsafe.SliceData(fds))), uintptr(len(fds)), uintptr(unsafe.Pointer(&none)), 0, 0, 0))
}

func tryTermios(fd int) (t unix.Termios, err error) {
	_, err = made(syscall.RawSyscall(unix.SYS_IOCTL, uintptr(fd), getTermios, uintptr(unsafe.Pointer(&t))))
	return t, err
}

func made(n, _ uintptr, failed syscall.Errno) (int, error) {
	if failed != 0 {
		return -1, failed
	}
	return int(n), nil
}
