package run

import (
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// Round is one round of an open run, at the moment learned last: charge, log and judgement. The reading is nil when
// none came. It says whether one was counted.
func (r *Run) Round(reading *drivers.Reading) (counted bool) {
	var gap time.Duration
	if reading != nil {
		gap, counted = r.Count(reading) // charge and log
	}
	r.Reckon()
	r.lookAtLog()
	o := r.observe(reading != nil, gap)
	r.follow(r.alarms.Judge(&o)) // judgement: alarms into the log, and notices
	r.lookAtTarget()
	if r.log.CheckpointDue() {
		r.relist()
		r.checkpoint()
	}
	return counted
}

// Count adds one reading to the charge and writes it down. It returns the length of the gap that it ended, or 0.
func (r *Run) Count(reading *drivers.Reading) (gap time.Duration, counted bool) {
	r.reading = *reading
	at, before := r.time.runTime(reading.At), r.lastGood
	e := r.evidence()
	step, err := r.count.Add(integrate.Sample{At: at, Volts: float64(reading.Volts), Amperes: float64(reading.Amperes)}, e)
	if err != nil {
		r.settings.Log.Warn("reading rejected", "cell", r.settings.Cell, "err", err)
		return 0, false
	}
	utc := r.time.stamp(at)
	if step.IsGap {
		gap = step.Elapsed
		r.writeGap(utc, &step, &e)
	}
	r.note(r.log.Reading(utc, at-before, float64(reading.Volts), float64(reading.Amperes), reading.Mode.String(), reading.Output.String()))
	r.advanceBath(step)
	if r.lostFor = 0; e.LineLost {
		r.lostFor = step.Elapsed
	}
	r.lastGood, r.lastOn = at, r.live(*reading)
	if r.lastOn {
		r.lastLive, r.hands.parted, r.supplyRestarted = at, false, false // what was lost or left off is back
	}
	r.points.keep(&r.supply.Status)
	r.seen, r.readUTC = reading.At, utc
	r.fresh, r.slept, r.supply.Swapped, r.supply.Silences = false, false, false, 0
	return gap, true
}

// Learn takes over what the watch knows at this moment, and notices suspend and steps of the wall clock. It comes
// before whatever depends on whether the newest reading ends a gap.
func (r *Run) Learn(f Facts) {
	r.supply = f.Supply
	slept, said := r.time.pass(f.Moment)
	if slept > 0 {
		r.slept = true
		said = fmt.Sprintf("the machine was asleep for %v; booked as a gap", slept.Round(time.Second))
	}
	if said != "" {
		r.settings.Log.Warn("clock", "cell", r.settings.Cell, "said", said)
		r.note(r.log.Entry(r.utc(), "clock", said))
	}
}

// constants are figures of the plan that every reading needs.
type constants struct {
	amperes    float64 // planned current; NaN without one
	area       float64 // of the cathode, m2; 0 when not stated
	equivalent float64 // kg/C
}

func constantsOf(p *bath.Plan) constants {
	k := constants{amperes: nan}
	if p == nil {
		return k
	}
	k.equivalent = p.Metal.Equivalent(p.Valence).Value
	given := p.Conditions()
	if given.Current.Known() {
		k.amperes = given.Current.Value
	}
	if given.CathodeArea.Known() {
		k.area = given.CathodeArea.Value
	}
	return k
}

// advanceBath lets the model of the bath follow a step. While metal bridges the
// electrodes the charge wins nothing: it is counted all the same, and kept apart here.
func (r *Run) advanceBath(step integrate.Step) {
	switch p := r.settings.Plan; {
	case p == nil:
	case r.shorted():
		r.shunted += step.Coulombs
	default:
		p.Model.Step(step.Coulombs, step.Elapsed.Seconds())
	}
}

// shorted says that metal bridges the electrodes, so that the current wins nothing.
func (r *Run) shorted() bool { return r.alarms.Holds(alerts.HardShort) }

// Reckon works out where the run stands, once for all who need it in this round.
func (r *Run) Reckon() {
	r.totals = r.count.Totals()
	if p := r.settings.Plan; p != nil {
		r.standing = p.Standing(math.Abs(float64(r.reading.Amperes)))
		if r.shorted() {
			r.standing.Marginal, r.standing.LoadRatio, r.standing.TimeLeft = 0, 0, math.Inf(1)
		}
		// What is left ends at zero, so that beyond the target the sum would say that it moves along.
		if at := r.totals.Charge + r.standing.Left; r.standing.Left > 0 || r.target == 0 {
			r.target = at
		} else {
			r.target = math.Min(r.target, at)
		}
	}
}

// planned is what would be counted by now at the planned current, up to the target as it lies now, and NaN
// without one. What passed through a short comes on top, because the target moved on with it: who is on plan has won
// what the plan wins by now.
func (r *Run) planned() float64 {
	return math.Min(r.plan.amperes*r.totals.Elapsed.Seconds(), r.target-r.shunted) + r.shunted
}

// lookAtTarget notices that the target is reached.
func (r *Run) lookAtTarget() {
	if r.reached || r.settings.Plan == nil || r.totals.Readings <= 1 || r.standing.Left > 0 {
		return
	}
	r.reached = true
	r.note(r.log.Entry(r.utc(), "target", fmt.Sprintf("the target is reached with %s A·h counted",
		quantity.WithDoubt(r.totals.Charge/3600, integrate.CoverageFactor*r.totals.StandardUncertainty/3600))))
	r.checkpoint()
}

// retarget looks whether an entry has moved a target away that was reached before.
func (r *Run) retarget(utc time.Time) {
	if !r.reached || r.hands.expected || r.settings.Plan == nil {
		return
	}
	if left, _ := r.settings.Plan.Remaining(math.Abs(float64(r.reading.Amperes))); left > 0 {
		r.reached = false
		delete(r.hands.acted, alerts.TargetReached)
		r.note(r.log.Entry(utc, "target", fmt.Sprintf("the target has moved: %.6g A·h are left", left/3600)))
	}
}
