package daemon

import (
	"context"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
)

// leastPatience is the shortest age, in the machine's own time, at which a reading or a
// round of a cell's loop counts as overdue.
const leastPatience = 10 * time.Second

// feed tells the outside watchdog, at short intervals, that the watch is kept. Only good polls feed it.
func (d *Daemon) feed(ctx context.Context) error {
	if d.o.Fed == nil {
		return nil
	}
	every := time.NewTicker(time.Second)
	defer every.Stop()
	for {
		select { // ends with ctx; the ticker always comes
		case <-ctx.Done():
			return nil
		case <-every.C:
			if d.kept() {
				d.o.Fed()
			}
		}
	}
}

// kept says whether good polls still come: every cell's loop turns, and at least one
// cell had a good reading lately. One silent supply must not get the watch over the others
// killed; when nothing answers at all, nothing feeds the watchdog, and the restart opens every port anew.
func (d *Daemon) kept() bool {
	fresh := false
	for _, p := range d.posts() {
		c := p.Cell
		s := c.Latest()
		if s == nil || !d.turns(c) {
			return false
		}
		age, known := d.readingAge(s)
		fresh = fresh || known && d.recent(c, age)
	}
	return fresh
}

// pulses gives each cell's sign of life, and whether every cell that should be running
// is: its loop turns, nothing keeps a run from beginning, and an open run has a fresh good
// reading. A cell that never had a reading has no pulse.
func (d *Daemon) pulses() ([]routes.Pulse, bool) {
	var all []routes.Pulse
	alive := true
	for _, p := range d.posts() {
		c := p.Cell
		s := c.Latest()
		if s == nil {
			alive = false
			continue
		}
		age, known := d.readingAge(s)
		if known {
			all = append(all, routes.Pulse{Cell: s.Name, ChargeCoulombs: s.Charge.CountedCoulombs, ReadingAgeSeconds: age.Seconds()})
		}
		alive = alive && d.turns(c) && !c.Barred() && (known && d.recent(c, age) || s.Waiting)
	}
	return all, alive
}

// readingAge is how old the newest good reading is, and false when there is none. It
// rests on the monotonic clock: the wall clock may have been turned.
func (d *Daemon) readingAge(s *snapshot.Cell) (time.Duration, bool) {
	if s.Reading.At.IsZero() {
		return 0, false
	}
	return max(0, d.o.Clock.Now()-s.Reading.Mono), true
}

// turns says whether the cell's loop came round lately.
func (d *Daemon) turns(c *watch.Cell) bool {
	return d.recent(c, d.o.Clock.Now()-c.Turned())
}

// recent says whether something of a cell's is not overdue at an age.
func (d *Daemon) recent(c *watch.Cell, age time.Duration) bool {
	return d.o.Clock.Real(age) <= max(d.o.Clock.Real(5*c.Every()), leastPatience)
}

// safe says whether a cell is known to do no harm now: switched off and read back, or read lately at or under its hold current.
func (d *Daemon) safe(c *watch.Cell) bool {
	s := c.Latest()
	if s == nil || c.Barred() { // what the run before left is told of then
		return false
	}
	if s.Ended {
		return s.OffVerified
	}
	age, known := d.readingAge(s)
	return s.Safe && known && d.recent(c, age)
}
