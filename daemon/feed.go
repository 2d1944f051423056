package daemon

import (
	"context"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
)

// leastPatience is the shortest age, in the machine's own time, at which a reading or a
// round of a cell's loop counts as overdue.
const leastPatience = 10 * time.Second

// feed tells the outside watchdog, at short intervals, that the watch is kept.
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

// kept says whether the watch over every cell is kept: its loop turns, and an open run
// has either a fresh good reading or a silence that its alarm has told somebody of. A
// restart by the watchdog would mend neither a supply that is silent nor one that is switched off for the day.
func (d *Daemon) kept() bool {
	cfg := d.config.Load()
	for i, c := range d.cells {
		s := c.Latest()
		if s == nil || !c.turns() {
			return false
		}
		if s.Waiting || silenceTold(s) {
			continue
		}
		l := &cfg.Cells[i].Limits
		patience := l.Silence + l.Setting(alerts.SupplySilent).OnDelay + 3*c.every
		if age, ok := d.readingAge(s); !ok || d.o.Clock.Real(age) > max(d.o.Clock.Real(patience), leastPatience) {
			return false
		}
	}
	return true
}

// silenceTold says whether the silence of the supply is an alarm that stands, or was set aside by somebody.
func silenceTold(s *snapshot.Cell) bool {
	for i := range s.Alarms {
		a := &s.Alarms[i]
		if a.Condition == alerts.SupplySilent.String() {
			return a.State != alerts.RTNUN.String() && a.State != alerts.DSUPR.String()
		}
	}
	return false
}

// pulses gives each cell's sign of life, and whether every cell that should be running
// is: its loop turns, nothing keeps a run from beginning, and an open run has a fresh good
// reading. A cell that never had a reading has no pulse.
func (d *Daemon) pulses() ([]routes.Pulse, bool) {
	var all []routes.Pulse
	alive := true
	for _, c := range d.cells {
		s := c.Latest()
		if s == nil {
			alive = false
			continue
		}
		age, known := d.readingAge(s)
		if known {
			all = append(all, routes.Pulse{Cell: s.Name, ChargeCoulombs: s.Charge.CountedCoulombs, ReadingAgeSeconds: age.Seconds()})
		}
		fresh := known && d.o.Clock.Real(age) <= max(d.o.Clock.Real(5*c.every), leastPatience)
		alive = alive && c.turns() && !c.barred.Load() && (fresh || s.Waiting)
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

// turns says whether the cell's loop came round lately. Any goroutine may ask.
func (c *Cell) turns() bool {
	clock := c.m.clock
	return clock.Real(c.m.now()-time.Duration(c.turned.Load())) <= max(clock.Real(5*c.every), leastPatience)
}
