package simulated

import (
	"time"

	"golang.org/x/sys/unix"
)

// sleep asks the kernel directly: the runtime's timers can be a millisecond late, which at 115200 baud is eleven characters.
func sleep(d time.Duration) {
	rest := unix.NsecToTimespec(int64(d))
	for unix.Nanosleep(&rest, &rest) == unix.EINTR {
	}
}
