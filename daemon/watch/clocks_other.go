//go:build !linux

package watch

import "time"

// bootClock knows nothing on this system: a suspended machine then shows as a gap
// only if the supply was silent meanwhile, and a restart is timed by the wall clock.
func bootClock() func() (boot string, since time.Duration, ok bool) {
	return func() (string, time.Duration, bool) { return "", 0, false }
}

func kernelAlarm() alarm { return timerAlarm() }
