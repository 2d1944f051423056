package daemon

import (
	"context"
	"math"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
)

// feed tells the outside watchdog, at short intervals, that readings are coming. Only
// good readings feed it: a loop that turns without reading starves it on purpose.
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
			if _, alive := d.pulses(); alive {
				d.o.Fed()
			}
		}
	}
}

// pulses gives each cell's sign of life, and whether every cell has a fresh good
// reading or a known fault that its alarm has already told somebody of.
func (d *Daemon) pulses() ([]routes.Pulse, bool) {
	var all []routes.Pulse
	alive := true
	for _, s := range d.Snapshots() {
		age := math.Inf(1)
		if !s.Reading.At.IsZero() {
			age = s.At.Sub(s.Reading.At).Seconds() + d.sinceShown(s)
		}
		all = append(all, routes.Pulse{Cell: s.Name, ChargeCoulombs: s.Charge.CountedCoulombs, ReadingAgeSeconds: age})
		alive = alive && age <= freshness(s)
	}
	return all, alive && len(all) == len(d.cells)
}

// sinceShown is how long ago a snapshot was made, in the daemon's own time.
func (d *Daemon) sinceShown(s *snapshot.Cell) float64 {
	return math.Max(0, d.o.Clock.UTC().Sub(s.At).Seconds())
}

// freshness is how old the newest reading of a living cell may be, s.
func freshness(s *snapshot.Cell) float64 { return math.Max(5*s.Poll.EverySeconds, 10) }
