//go:build !linux

package daemon

import "time"

// sinceBoot is not known on this system: a suspended machine then shows as a gap
// only if the supply was silent meanwhile, and a restart is timed by the wall clock.
func sinceBoot() (boot string, since time.Duration, ok bool) { return "", 0, false }
