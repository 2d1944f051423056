package drivers

import (
	"context"
	"time"
)

// Clock is the monotonic time on which readings are stamped. Its speed is 1 in
// the field; the demonstration and the simulator run it faster, together. The zero Clock is not usable.
type Clock struct {
	origin time.Time
	speed  float64
}

// NewClock starts a clock that runs speed times as fast as the machine's. speed must be positive.
func NewClock(speed float64) Clock { return Clock{origin: time.Now(), speed: speed} }

// Now returns the monotonic time since the clock began. It never steps and does
// not advance while Linux is suspended.
func (c Clock) Now() time.Duration { return c.At(time.Now()) }

// At returns the time of this clock at a moment of the machine's.
func (c Clock) At(t time.Time) time.Duration {
	d := t.Sub(c.origin)
	if c.speed == 1 {
		return d
	}
	return time.Duration(float64(d) * c.speed)
}

// UTC returns the calendar time. At speed 1 it is the machine's wall clock, with
// all its steps; at other speeds it is the wall time of the beginning plus Now.
func (c Clock) UTC() time.Time {
	if c.speed == 1 {
		return time.Now().UTC().Round(0)
	}
	return c.origin.UTC().Round(0).Add(c.Now())
}

// Real returns how long d of this clock lasts on the machine's own clock, for timers.
func (c Clock) Real(d time.Duration) time.Duration {
	if c.speed == 1 {
		return d
	}
	return time.Duration(float64(d) / c.speed)
}

// Speed returns how many times as fast as the machine's clock this one runs.
func (c Clock) Speed() float64 { return c.speed }

// Rest waits for a time of the machine's, or less when ctx ends, which is then the error.
func Rest(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select { // ends with the timer, or with ctx
	case <-t.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
