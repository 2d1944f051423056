package daemon

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// sinceBoot reads CLOCK_BOOTTIME, which unlike Go's monotonic clock goes on while
// the machine is suspended, and the kernel's name for this boot. It is false where
// the kernel will not say.
func sinceBoot() (boot string, since time.Duration, ok bool) {
	var ts unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts); err != nil {
		return "", 0, false
	}
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", 0, false
	}
	return strings.TrimSpace(string(id)), time.Duration(ts.Nano()), true
}
