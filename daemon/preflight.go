package daemon

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// toConfirm are the things that only a person at the cell can see.
var toConfirm = []string{"leads", "level", "ventilation", "containment"}

// Begin implements control.Operator: it clears a cell for a run that nobody attends,
// if the supply's own protections, the reading, the zero, the routes and the person all agree.
func (o operator) Begin(ctx context.Context, b control.BeginOrder) ([]control.Check, error) {
	c, err := o.cell(b.Cell)
	if err != nil {
		return nil, err
	}
	checks := []control.Check{o.d.routeProof(b.Cell)}
	for _, word := range toConfirm {
		ok := slices.Contains(b.Confirmed, word)
		text := "confirmed by " + b.By
		if !ok {
			text = "look at it and confirm it"
		}
		checks = append(checks, control.Check{Name: word, OK: ok, Text: text})
	}
	found, err := answer(ctx, c, func(ctx context.Context) ([]control.Check, error) { return c.clear(ctx, b, checks) })
	if found == nil { // the cell did not come to it
		found = checks
	}
	return found, err
}

// clear completes the checks of a pre-flight by what the cell's own loop can check, and
// writes the clearance down if all are passed.
func (c *Cell) clear(ctx context.Context, b control.BeginOrder, outside []control.Check) ([]control.Check, error) {
	r := c.run
	switch {
	case r != nil:
	case c.barred.Load():
		return outside, control.Refuse("cell %s: current flows, but no run can begin, so nothing is counted or watched: %s", c.set.Cell, c.noRun)
	case c.link.up() && c.reading.Output == drivers.OutputOn:
		return outside, control.Refuse("cell %s has no open run: the output is on, but no current flows (%.3g A at %.3g V); look at leads and clips, and a run begins with the first current",
			c.set.Cell, float64(c.reading.Amperes), float64(c.reading.Volts))
	default:
		return outside, control.Refuse("cell %s has no open run: set the supply and switch its output on by hand first; nightcell never does", c.set.Cell)
	}
	checks := append(slices.Clone(outside), c.preflight(c.refreshStatus(ctx))...)
	var failed []string
	for _, k := range checks {
		if !k.OK {
			failed = append(failed, k.Name)
		}
	}
	if len(failed) > 0 {
		return checks, control.Refuse("cell %s is not cleared for an unattended run: %s", c.set.Cell, strings.Join(failed, ", "))
	}
	utc := r.time.stamp(r.time.now())
	r.cleared = clearance{By: b.By, At: utc}
	fields := []runlog.Field{runlog.Text("by", b.By), runlog.Text("confirmed", strings.Join(b.Confirmed, ", "))}
	for _, k := range checks {
		fields = append(fields, runlog.Text("check_"+strings.ReplaceAll(k.Name, " ", "_"), k.Text))
	}
	r.note(c, r.log.Entry(utc, "cleared", "cleared for an unattended run", fields...))
	r.note(c, r.checkpoint(c, utc))
	return checks, nil
}

// routeProof says whether some route has lately proved that it delivers.
func (d *Daemon) routeProof(cell string) control.Check {
	k := control.Check{Name: "route"}
	within := d.config.Load().Preflight.RouteProof
	for _, b := range d.boxes {
		if b.cell != cell {
			continue
		}
		for _, h := range b.box.Load().Health() {
			if age := d.o.Clock.UTC().Sub(h.Proved); !h.Proved.IsZero() && age <= within {
				k.OK, k.Text = true, fmt.Sprintf("%s delivered %v ago", h.Route, age.Round(time.Second))
				return k
			}
		}
	}
	k.Text = fmt.Sprintf("no route has proved delivery within %v; run nightcell drill %s", within, cell)
	return k
}

// preflight is what the cell's own loop can check. unasked says why what the supply
// tells of itself is not of this moment; nil: it is.
func (c *Cell) preflight(unasked error) []control.Check {
	st := &c.link.status
	l := c.set.Limits
	check := func(name string, ok bool, good, bad string) control.Check {
		if ok {
			return control.Check{Name: name, OK: true, Text: good}
		}
		return control.Check{Name: name, Text: bad}
	}
	silent := "it does not answer"
	if unasked != nil {
		silent += ": " + unasked.Error()
	}
	checks := []control.Check{
		check("supply", c.link.up() && unasked == nil, c.link.identity.String(), silent),
		protection("current protection", "A", float64(st.SetAmperes), float64(st.LimitAmperes), l.Amperes),
		protection("voltage protection", "V", float64(st.SetVolts), float64(st.LimitVolts), l.Volts),
		check("protections not tripped", len(st.Tripped) == 0, "none has acted", strings.Join(st.Tripped, ", ")),
	}
	age := c.run.since(c.run.lastGood)
	v, a := float64(c.reading.Volts), float64(c.reading.Amperes)
	sane := age <= max(5*c.set.Poll, 10*time.Second) && c.live(c.reading)
	checks = append(checks,
		check("reading", sane, fmt.Sprintf("%.3f V, %.3f A", v, a), fmt.Sprintf("%.3f V, %.3f A, %v old: no live, fresh reading", v, a, age.Round(time.Second))))
	zero := c.run.count.State().Zero
	checks = append(checks, check("zero", zero.Uncertainty > 0, quantity.WithDoubt(zero.Amperes, integrate.CoverageFactor*zero.Uncertainty)+" A",
		"none was taken: let nightcell watch some seconds with the output off before the run, or enter one with nightcell enter "+c.set.Cell+" zero"))
	var standing []string
	for _, alarm := range c.run.alarms.Active() {
		if alarm.Priority >= alerts.High && alarm.Holds {
			standing = append(standing, alarm.Condition.String())
		}
	}
	return append(checks, check("no urgent alarm", len(standing) == 0, "none stands", strings.Join(standing, ", ")))
}

// protection checks that the supply itself, by a set-point or a trip level, keeps at or under a limit.
func protection(name, unit string, set, trip, limit float64) control.Check {
	k := control.Check{Name: name}
	lowest := math.Inf(1)
	for _, x := range []float64{set, trip} {
		if !math.IsNaN(x) && x > 0 {
			lowest = math.Min(lowest, x)
		}
	}
	switch {
	case math.IsNaN(limit):
		k.Text = "no limit is configured to hold it against; state it under limits"
	case math.IsInf(lowest, 1):
		k.Text = "the supply tells neither its set-point nor its protection level"
	case lowest > limit*1.0005:
		k.Text = fmt.Sprintf("the supply would allow %.4g %s, the limit is %.4g %s; lower the set-point or the protection level at the supply", lowest, unit, limit, unit)
	default:
		k.OK, k.Text = true, fmt.Sprintf("the supply stops at %.4g %s, the limit is %.4g %s", lowest, unit, limit, unit)
	}
	return k
}
