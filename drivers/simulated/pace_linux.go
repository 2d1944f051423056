package simulated

import (
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
