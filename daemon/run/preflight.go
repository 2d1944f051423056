package run

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
)

// Clear completes the checks of a pre-flight by what the run knows, and writes the clearance for an unattended run
// down if all are passed. unasked says why what the supply tells of itself is not of this moment; nil: it is.
func (r *Run) Clear(f Facts, b control.BeginOrder, outside []control.Check, unasked error) ([]control.Check, error) {
	r.Learn(f)
	checks := append(slices.Clone(outside), r.preflight(unasked)...)
	var failed []string
	for _, k := range checks {
		if !k.OK {
			failed = append(failed, k.Name)
		}
	}
	if len(failed) > 0 {
		return checks, control.Refuse("pre-flight of cell %s not passed: %s", r.settings.Cell, strings.Join(failed, ", "))
	}
	utc := r.utc()
	r.cleared = clearance{By: b.By, At: utc}
	fields := []runlog.Field{runlog.Text("by", b.By), runlog.Text("confirmed", strings.Join(b.Confirmed, ", "))}
	for _, k := range checks {
		fields = append(fields, runlog.Text("check_"+strings.ReplaceAll(k.Name, " ", "_"), k.Text))
	}
	r.note(r.log.Entry(utc, "cleared", "pre-flight passed for an unattended run", fields...))
	r.checkpoint()
	return checks, nil
}

// preflight is what the run can check. unasked says why what the supply
// tells of itself is not of this moment; nil: it is.
func (r *Run) preflight(unasked error) []control.Check {
	st := &r.supply.Status
	l := r.settings.Limits
	check := func(name string, ok bool, good, bad string) control.Check {
		if ok {
			return control.Check{Name: name, OK: true, Text: good}
		}
		return control.Check{Name: name, Text: bad}
	}
	silent := "no answer"
	if unasked != nil {
		silent += ": " + unasked.Error()
	}
	checks := []control.Check{
		check("supply", r.supply.Up && unasked == nil, r.supply.Identity.String(), silent),
		protection("current protection", "A", float64(st.SetAmperes), float64(st.LimitAmperes), l.Amperes),
		protection("voltage protection", "V", float64(st.SetVolts), float64(st.LimitVolts), l.Volts),
		check("protections not tripped", len(st.Tripped) == 0, "none tripped", strings.Join(st.Tripped, ", ")),
	}
	age := r.now() - r.lastGood
	v, a := float64(r.reading.Volts), float64(r.reading.Amperes)
	sane := age <= max(5*r.settings.Poll, 10*time.Second) && r.live(r.reading)
	checks = append(checks,
		check("reading", sane, fmt.Sprintf("%.3f V, %.3f A", v, a), fmt.Sprintf("%.3f V, %.3f A, %v old: too old, or no current", v, a, age.Round(time.Second))))
	zero := r.count.State().Zero
	checks = append(checks, check("zero", zero.Uncertainty > 0, quantity.WithDoubt(zero.Amperes, integrate.CoverageFactor*zero.Uncertainty)+" A",
		"not taken: run nightcell for some seconds with the output off before the run, or enter one with nightcell enter "+r.settings.Cell+" zero"))
	var standing []string
	for _, alarm := range r.alarms.Active() {
		if alarm.Priority >= alerts.High && alarm.Holds {
			standing = append(standing, alarm.Condition.String())
		}
	}
	return append(checks, check("no high-priority alarm", len(standing) == 0, "none active", strings.Join(standing, ", ")))
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
		k.Text = "no limit is configured to compare with; set it under limits"
	case math.IsInf(lowest, 1):
		k.Text = "the supply reports neither its set-point nor its protection level"
	case lowest > limit*1.0005:
		k.Text = fmt.Sprintf("the supply would allow %.4g %s, the limit is %.4g %s; lower the set-point or the protection level at the supply", lowest, unit, limit, unit)
	default:
		k.OK, k.Text = true, fmt.Sprintf("the supply stops at %.4g %s, the limit is %.4g %s", lowest, unit, limit, unit)
	}
	return k
}
