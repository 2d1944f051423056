package main

import (
	"context"
	"os"
	"runtime"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// easeTimers lets the system wake this process up a millisecond late, and so for several things at once. The thread that Go's
// runtime keeps for itself wakes up most, every 20 µs at work, and is there before main: it takes the slack over
// only from who began the process. So this process sets it and begins itself anew; the service's unit has done so already.
// Without it, all is as good but costs a quarter more at each poll.
func easeTimers() {
	const slack = int(time.Millisecond)
	runtime.LockOSThread() // the slack is a thread's
	defer runtime.UnlockOSThread()
	have := func() int {
		n, _ := unix.PrctlRetInt(unix.PR_GET_TIMERSLACK, 0, 0, 0, 0) // -1 with its error
		return n
	}
	if have() >= slack || unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(slack), 0, 0, 0) != nil || have() < slack { // a real-time process has none
		return
	}
	if path, err := os.Executable(); err == nil {
		_ = syscall.Exec(path, os.Args, os.Environ()) // returns when it fails
	}
}

// asService does nothing here: systemd and launchd run a program as it is.
func asService(ctx context.Context, _ *shell) (context.Context, func(code int)) {
	return ctx, func(int) {}
}
