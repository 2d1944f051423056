package daemon

import (
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
)

// leastPatience is the shortest age, in the machine's own time, at which a reading or a
// round of a cell's loop counts as overdue.
const leastPatience = 10 * time.Second

// feed tells the outside watchdog that the watch is kept. Only good polls feed it.
func (d *Daemon) feed() error {
	if d.kept() {
		d.o.Fed()
	}
	return nil
}

// kept says whether good polls still come: every cell's loop turns, and at least one
// cell had a good reading lately. One silent supply must not get the watch over the others
// killed; when nothing answers at all, nothing feeds the watchdog, and the restart opens every port anew.
func (d *Daemon) kept() bool {
	fresh := false
	for _, p := range d.posts() {
		c := p.Cell
		if !d.turns(c) {
			return false
		}
		if s := c.Latest(); s != nil { // else its first round is not overdue
			age, known := d.readingAge(s)
			fresh = fresh || known && d.recent(c, age)
		}
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

// present are the figures of a cell's newest snapshot, nil before the first, named as in a notice, for what is told without a change of
// an alarm: reminders, escalations, drills. Any goroutine may ask.
func (d *Daemon) present(s *snapshot.Cell) map[string]float64 {
	if s == nil {
		return nil
	}
	all := map[string]float64{
		"target_charge_coulombs": s.Charge.TargetCoulombs, "deposit_kilograms": s.Bath.DepositGrams / 1e3,
	}
	if s.Run != "" {
		all["charge_coulombs"], all["charge_standard_uncertainty_coulombs"] = s.Charge.CountedCoulombs, s.Charge.UncertaintyCoulombs
		all["energy_joules"] = s.Charge.EnergyJoules
	}
	if !s.Reading.At.IsZero() {
		all["reading_volts"], all["reading_amperes"] = s.Reading.Volts, s.Reading.Amperes
		all["reading_age_seconds"] = max(0, d.o.Clock.Now()-s.Reading.Mono).Seconds()
	}
	maps.DeleteFunc(all, func(_ string, v float64) bool { return math.IsNaN(v) || math.IsInf(v, 0) })
	return all
}

// standingWords tells which alarms stand at this moment, and how old each is.
func standingWords(s *snapshot.Cell) string {
	if s == nil {
		return "No data from the cell yet."
	}
	var standing []string
	for _, a := range s.Alarms {
		if a.State.Active() {
			standing = append(standing, fmt.Sprintf("%s for %s", a.Condition, sentence.Span(s.At.Sub(a.Since))))
		}
	}
	if len(standing) == 0 {
		return "No alarm is active."
	}
	return "Active now: " + strings.Join(standing, ", ") + "."
}

// summary tells how cells have fared since a moment, all of them for none; false if nothing was watched since.
func (d *Daemon) summary(cells []string, since time.Time) (n routes.Notice, ok bool) {
	var seen []*snapshot.Cell
	var lines, first []string
	waiting := 0 // alarms that nobody has answered
	for _, c := range d.posts() {
		s := c.Latest()
		switch {
		case len(cells) > 0 && !slices.Contains(cells, c.Name()), s == nil, s.Run == "" && len(s.Alarms) == 0:
			continue
		case s.Ended && s.Began.Add(s.Elapsed).Before(since) && len(s.Alarms) == 0:
			continue
		}
		seen = append(seen, s)
		lines = append(lines, sentence.Of(s, d.o.Clock.UTC(), time.Local).String())
		for _, a := range sentence.ByUrgency(s.Alarms) {
			if a.State.Unanswered() {
				waiting++
				first = append(first, fmt.Sprintf("%s, %s since %s: %s", s.Name, a.Condition, a.Since.In(time.Local).Format("15:04"), a.Action))
			}
		}
		if s.Charge.TargetReached && len(first) == 0 {
			first = append(first, s.Name+": Take the cathode out, rinse, dry and weigh it.")
		}
	}
	if len(seen) == 0 {
		return n, false
	}
	n = routes.Notice{Subject: fmt.Sprintf("summary of %d cells", len(seen)), Text: strings.Join(lines, "\n"), First: strings.Join(first, "\n")}
	if len(seen) == 1 {
		c := seen[0]
		n.Cell, n.Supply, n.Values = c.Name, c.Supply, d.present(c)
		n.Subject = fmt.Sprintf("%s: summary, %s of %s A·h", c.Name, sentence.Figure(c.Charge.CountedCoulombs/3600, 3), sentence.Figure(c.Charge.TargetCoulombs/3600, 3))
	}
	switch waiting {
	case 0:
		n.Subject += ", no alarm waits for you"
	case 1:
		n.Subject += ", 1 alarm waits for you"
	default:
		n.Subject += fmt.Sprintf(", %d alarms wait for you", waiting)
	}
	if waiting > 0 {
		n.Priority = alerts.Medium
	}
	return n, true
}
