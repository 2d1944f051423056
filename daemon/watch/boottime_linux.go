package watch

import (
	"os"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// bootClock returns what reads CLOCK_BOOTTIME, which unlike Go's monotonic clock goes on
// while the machine is suspended, with the kernel's name for this boot. It is false where
// the kernel will not say. The name is read but once: every reading looks at this clock.
func bootClock() func() (boot string, since time.Duration, ok bool) {
	id, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	boot := strings.TrimSpace(string(id))
	return func() (string, time.Duration, bool) {
		var ts unix.Timespec
		if err != nil || unix.ClockGettime(unix.CLOCK_BOOTTIME, &ts) != nil {
			return "", 0, false
		}
		return boot, time.Duration(ts.Nano()), true
	}
}
