package run

import (
	"fmt"
	"slices"
	"time"

	"nightcell/daemon/control"
	"nightcell/integrate"
)

// clockReading is how far a time that a person read off a clock may be wrong; common practice, no source.
const clockReading = time.Minute

// Settle replaces what is booked for a gap by what the operator knows, and returns it. A time of day is of the zone.
func (r *Run) Settle(f Facts, s control.Settlement, zone *time.Location) (control.Settlement, error) {
	r.Learn(f)
	if s.Off != "" {
		if err := r.settleOff(&s, zone); err != nil {
			return s, err
		}
	}
	utc := r.utc()
	if err := r.change(func(q *integrate.Coulometer) error {
		return q.Settle(s.Gap, s.LowCoulombs, s.BestCoulombs, s.HighCoulombs)
	}, func() error {
		return r.log.Settle(utc, fmt.Sprintf("%s (by %s)", s.Text, s.By), s.Gap, s.LowCoulombs, s.BestCoulombs, s.HighCoulombs)
	}); err != nil {
		return s, err
	}
	r.retarget(utc)
	r.checkpoint()
	return s, nil
}

// settleOff works out the charges of a gap in which the output was off from a time on: until then the
// current of the reading before it flowed, and the time is good to clockReading.
func (r *Run) settleOff(s *control.Settlement, zone *time.Location) error {
	for _, g := range r.count.Gaps() {
		if g.Index != s.Gap {
			continue
		}
		from, to := r.time.stamp(g.From).In(zone), r.time.stamp(g.To).In(zone)
		off, err := momentWithin(s.Off, from, to)
		if err != nil {
			return err
		}
		charge := func(d time.Duration) float64 {
			return g.AmperesBefore * min(max(d, 0), g.Length()).Seconds()
		}
		on := off.Sub(from)
		s.LowCoulombs, s.BestCoulombs, s.HighCoulombs = charge(on-clockReading), charge(on), charge(on+clockReading)
		if g.AmperesBefore < 0 {
			s.LowCoulombs, s.HighCoulombs = s.HighCoulombs, s.LowCoulombs
		}
		s.Off = off.Format(time.RFC3339)
		if s.Text == "" {
			s.Text = "off from " + s.Off
		}
		return nil
	}
	return nil // the coulometer refuses it, and tells a gap that never was from one that is no longer kept apart
}

// momentWithin reads a time of day, or a whole time with its zone, that lies between from and to. A
// time of day is the first such one after from, in the zone of from; where the clock was changed meanwhile and it
// came twice, it has to be a whole time.
func momentWithin(text string, from, to time.Time) (time.Time, error) {
	within := func(at time.Time) bool {
		return !at.Before(from.Add(-clockReading)) && !at.After(to.Add(clockReading))
	}
	at, err := time.Parse(time.RFC3339, text)
	if err == nil && within(at) {
		return at, nil
	}
	clock, notOfDay := time.Parse("15:04", text)
	if err != nil && notOfDay != nil {
		return at, control.BadRequest("off %q is no time; write it as 02:10, or as 2026-03-01T02:10:00+01:00", text)
	}
	var found []time.Time
	for day := 0; day < 2 && notOfDay == nil && len(found) == 0; day++ {
		for _, zoned := range []time.Time{from, to} {
			_, east := zoned.Zone()
			y, m, d := from.Date()
			at := time.Date(y, m, d+day, clock.Hour(), clock.Minute(), 0, 0, time.FixedZone("", east)).In(from.Location())
			if at.Format("15:04") == clock.Format("15:04") && within(at) && !slices.ContainsFunc(found, at.Equal) {
				found = append(found, at)
			}
		}
	}
	switch len(found) {
	case 0:
		return at, control.BadRequest("off %s does not come within the gap, which is from %s to %s",
			text, from.Format(time.DateTime), to.Format(time.DateTime+" MST"))
	case 1:
		return found[0], nil
	}
	return at, control.BadRequest("off %s came twice within the gap, because the clock was changed; write it as %s or as %s",
		text, found[0].Format(time.RFC3339), found[1].Format(time.RFC3339))
}
