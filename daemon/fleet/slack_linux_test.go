package fleet

import (
	"runtime"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// easeTimers has the processes that this test begins start with the timers that the service's unit gives nightcell, the script as well.
func easeTimers(t *testing.T) {
	runtime.LockOSThread() // the slack is a thread's, and what it begins inherits it; the thread ends with the test
	if err := unix.Prctl(unix.PR_SET_TIMERSLACK, uintptr(time.Millisecond), 0, 0, 0); err != nil {
		t.Log("timers as they are: ", err)
	}
}
