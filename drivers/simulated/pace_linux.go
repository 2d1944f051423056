package simulated

import (
	"os"
	"runtime"
	"time"

	"golang.org/x/sys/unix"
)

// sleep asks the kernel directly: the runtime's timers can be a millisecond late, which at 115200 baud is eleven
// characters. Without the usual slack of 50 µs it is late by some tens of microseconds.
func sleep(d time.Duration) {
	runtime.LockOSThread() // the slack belongs to the thread
	defer runtime.UnlockOSThread()
	_ = unix.Prctl(unix.PR_SET_TIMERSLACK, 1, 0, 0, 0) // refused: only less precise
	rest := unix.NsecToTimespec(int64(d))
	for unix.Nanosleep(&rest, &rest) == unix.EINTR {
	}
}

// rates are those that a terminal's settings name by a number of their own.
var rates = map[int]uint32{1200: unix.B1200, 2400: unix.B2400, 4800: unix.B4800, 9600: unix.B9600, 19200: unix.B19200,
	38400: unix.B38400, 57600: unix.B57600, 115200: unix.B115200}

// runsAt says whether a terminal is set to a rate in bit/s.
func runsAt(terminal *os.File, rate int) bool {
	t, err := unix.IoctlGetTermios(int(terminal.Fd()), unix.TCGETS)
	return err == nil && t.Cflag&unix.CBAUD == rates[rate]
}
