package watch

import (
	"time"

	"nightcell/daemon/run"
	"nightcell/drivers"
)

// Machine is where the watch reads the time; tests put their own in its place.
type Machine struct {
	clock drivers.Clock
	now   func() time.Duration // monotonic, stops in suspend
	UTC   func() time.Time     // wall clock, may step
	// Boot names this boot and says how long ago it was, suspend included.
	Boot func() (id string, since time.Duration, ok bool)
}

// MachineOf is the machine that a clock runs on.
func MachineOf(c drivers.Clock) Machine {
	return Machine{clock: c, now: c.Now, UTC: c.UTC, Boot: bootClock()}
}

// moment reads all clocks.
func (m *Machine) moment() run.Moment {
	at := run.Moment{Mono: m.now(), UTC: m.UTC()}
	if id, since, ok := m.Boot(); ok {
		at.Boot, at.SinceBoot = id, since
	}
	return at
}
