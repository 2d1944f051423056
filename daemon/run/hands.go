package run

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// retryHands is how long nightcell waits before it tries an act again that it could not verify.
const retryHands = 30 * time.Second

// hands is what the run knows of the acts on its output.
type hands struct {
	expected   bool // the output is off, or to be, on purpose
	failed     bool // an off could not be verified
	verified   bool
	holdFailed bool
	parted     bool                      // switched off when a watch before was stopped, and not on since
	why        string                    // of the newest off
	acted      map[alerts.Condition]bool // reactions already carried out
	refused    map[alerts.Condition]bool // reactions not allowed or not possible, which has been written down
	nextOff    time.Duration             // when an off that could not be verified is tried again
	nextHold   time.Duration             // likewise
}

// Order is an act with its reason, and the condition that asks for it by the configuration, None if a person does.
type Order struct {
	Do        alerts.Act
	Condition alerts.Condition
	Why       string
	Refused   bool // a wish of the configuration that is not allowed now, so that Do is Tell
	Due       bool // and not only after a failure some moments ago
}

// Decide says what is to be done now by the configuration, and why. The target acts whatever became of its
// alarm; the conditions act through theirs.
func (r *Run) Decide() Order {
	atTarget := r.settings.AtTarget
	o := Order{Due: true}
	switch h := &r.hands; {
	case h.failed:
		o.Do, o.Condition, o.Why = alerts.Off, alerts.OffFailed, "switching off could not be verified earlier"
	case h.expected:
	case r.Reached && !h.acted[alerts.TargetReached] && atTarget != alerts.Notify:
		o.Do, o.Condition, o.Why = atTarget, alerts.TargetReached, "target reached"
	case len(r.settings.Reactions) > 0:
		d := r.react(func(c alerts.Condition) bool { return h.acted[c] })
		if d.Do == alerts.Notify && h.refused[d.Condition] { // written down; it acts all the same once it can
			d = r.react(func(c alerts.Condition) bool { return h.acted[c] || h.refused[c] })
		}
		o.Do, o.Condition, o.Why, o.Refused = d.Do, d.Condition, d.Text, d.Do == alerts.Notify && d.Condition != alerts.None
	}
	switch o.Do {
	case alerts.Off:
		o.Due = r.now() >= r.hands.nextOff
	case alerts.Hold:
		o.Due = r.now() >= r.hands.nextHold
	}
	return o
}

// react asks the alarms what the reactions that are not done come to now.
func (r *Run) react(done func(alerts.Condition) bool) alerts.Decision {
	return r.alarms.Decide(alerts.Hands{
		May: r.settings.May, HoldAmperes: float64(r.settings.HoldAmperes), Reactions: r.settings.Reactions,
	}, alerts.Situation{Now: r.now(), SetAmperes: float64(r.supply.Status.SetAmperes), Done: done})
}

// NotDone writes down, once, that a wish of the configuration was refused.
func (r *Run) NotDone(o Order) {
	r.hands.refused[o.Condition] = true
	r.settings.Log.Warn("not done", "cell", r.settings.Cell, "why", o.Why)
	r.note(r.log.Output(r.utc(), "none", "refused", o.Why))
}

// SwitchedOff takes over what came of an off: the reading that verified it, or why it is not verified. That is tried
// again and again, and is an alarm. It says whether a reading was counted.
func (r *Run) SwitchedOff(f *Facts, o Order, proof *drivers.Reading, failed error) (counted bool) {
	r.Learn(f)
	h := &r.hands
	if o.Condition != alerts.None {
		h.acted[o.Condition] = true
	}
	h.why = o.Why
	h.expected = true // an output found off from now on is no surprise
	if failed != nil {
		h.failed, h.nextOff = true, r.now()+retryHands
		r.writeOutcome(o, failed)
		r.settings.Log.Error("the output may still be on", "cell", r.settings.Cell, "why", o.Why, "err", failed)
		r.checkpoint()
		return false
	}
	h.failed, h.verified, h.nextOff = false, true, 0
	// Counted, so that the charge of the time that the act took is in the books, and so that the log shows the current gone.
	counted = r.Count(proof)
	r.LastOn = false // whatever the coulometer made of the reading
	r.writeOutcome(o, nil)
	r.settings.Log.Info("output off, verified by read-back", "cell", r.settings.Cell, "why", o.Why)
	r.checkpoint()
	r.EndIfOver()
	return counted
}

// Held takes over what came of lowering the current to the hold current. What is not verified is tried again; a
// person hears of the first failure and of the success. It says whether a reading was counted.
func (r *Run) Held(f *Facts, o Order, proof *drivers.Reading, failed error) (counted bool) {
	r.Learn(f)
	h := &r.hands
	if failed != nil { // not acted: a checkpoint that said so would keep the next process from trying again
		h.nextHold = r.now() + retryHands
		r.settings.Log.Error("the current could not be lowered to the hold current", "cell", r.settings.Cell, "why", o.Why, "err", failed)
	} else {
		if o.Condition != alerts.None {
			h.acted[o.Condition] = true
		}
		h.nextHold = 0
		counted = r.Count(proof)
		r.expectLowered()
	}
	outcome, text := r.writeOutcome(o, failed)
	if failed == nil || !h.holdFailed {
		what := fmt.Sprintf("hold at %.3g A %s", float64(r.settings.HoldAmperes), outcome)
		n := routes.Notice{Kind: routes.Milestone, Priority: alerts.High, Subject: r.settings.Cell + ": " + what,
			Text: "Lowered because: " + text, First: "Go to the cell: hold only buys time."}
		if a := r.alarms.Alarm(o.Condition); o.Condition == alerts.TargetReached && a.State.Unanswered() { // whose own notice waited for this
			n.Kind, n.Condition, n.State, n.Since = routes.Alarm, o.Condition.String(), a.State.String(), a.Since
			n.Subject, n.Acknowledge = r.settings.Cell+": target reached, "+what, r.settings.acknowledgeBy(o.Condition)
		}
		r.Notice(r.utc(), n)
		r.checkpoint()
	}
	h.holdFailed = failed != nil
	return counted
}

// Parted takes over what came of the act that the operator chose for the end of the watch.
func (r *Run) Parted(f *Facts, o Order, proof *drivers.Reading, failed error) {
	r.Learn(f)
	if failed == nil {
		r.hands.parted = o.Do == alerts.Off
		r.Count(proof)
		if o.Do == alerts.Hold {
			r.expectLowered()
		}
	}
	r.writeOutcome(o, failed)
}

// AtHold says whether a set-point and a current that were read back are at or under a hold current. What is not told is
// not read back.
func AtHold(hold, set, flows drivers.Amperes) bool {
	return set <= hold*1.01+0.002 && flows <= hold*1.1+0.01
}

// safe says that the newest reading is of an output that is off or held, whoever saw to that. Off by nobody's order is not safe for a deposit
// that the bath attacks.
func (r *Run) safe() bool {
	if !r.live(r.reading) {
		return (r.reading.Output == drivers.OutputOff || r.hands.verified) && (r.hands.expected || r.hands.parted || !r.settings.Chemistry.RedissolvesOff)
	}
	return r.settings.May.Hold && AtHold(r.settings.HoldAmperes, r.supply.Status.SetAmperes, r.reading.Amperes)
}

// actsAtTarget says that the hands act when the target is reached, so that one message can say both.
func (r *Run) actsAtTarget() bool {
	return r.settings.AtTarget != alerts.Notify && !r.hands.expected && !r.hands.acted[alerts.TargetReached]
}

// LastWord tells people that the watch over a cell was stopped, and what becomes of an output that was live.
func LastWord(cell, what string, p alerts.Priority) routes.Notice {
	return routes.Notice{Kind: routes.Milestone, Priority: p, Subject: cell + ": nightcell stopped, " + what,
		Text:  "nightcell was stopped. Until restarted it does not count charge, raise alarms or switch off.",
		First: "Restart nightcell, or go to the cell."}
}

// Left gives the last word in the log of the run.
func (r *Run) Left(f *Facts, what string, p alerts.Priority) {
	r.Learn(f)
	r.Notice(r.utc(), LastWord(r.settings.Cell, what, p))
}

// writeOutcome writes down what came of an act, and returns it in words.
func (r *Run) writeOutcome(o Order, failed error) (outcome, text string) {
	outcome, text = "verified", o.Why
	if failed != nil {
		outcome, text = "failed", o.Why+": "+failed.Error()
	}
	r.note(r.log.Output(r.utc(), o.Do.String(), outcome, text))
	return outcome, text
}

// expectLowered tells the alarms that the set-points now read back are ours.
func (r *Run) expectLowered() {
	r.expectSetPoints()
	r.alarms.Relearn("nightcell lowered the current")
}

func (r *Run) expectSetPoints() {
	r.alarms.Expect(float64(r.supply.Status.SetVolts), float64(r.supply.Status.SetAmperes))
}

// OffFailed says whether an off could not be verified, and whether it is time to try again.
func (r *Run) OffFailed() (failed, due bool) { return r.hands.failed, r.now() >= r.hands.nextOff }

// On says whether the output pushed current at the newest counted reading.
func (r *Run) On() bool { return r.LastOn }

// AtRest is what the supply reports while no current flows, in A.
func (r *Run) AtRest() float64 { return r.atRest }

// OffExpected says that the output is off, or to be, on purpose.
func (r *Run) OffExpected() bool { return r.hands.expected }

// ByHand notes that a person stands by.
func (r *Run) ByHand() { r.byHand = true }

// StepExpected tells the alarms that the set-points now read back are those of a step of the current.
func (r *Run) StepExpected(f *Facts) {
	r.Learn(f)
	r.expectSetPoints()
}

// Stepped takes over what a step of the current told, and completes what is answered by it.
func (r *Run) Stepped(f *Facts, by string, result alerts.Step, out *control.StepResult) {
	r.Learn(f)
	out.Text = r.alarms.Stepped(result) + " The current stays there until raised at the supply."
	r.note(r.log.Entry(r.utc(), "step", out.Text, runlog.Text("by", by),
		runlog.Number("before_volts", out.BeforeVolts), runlog.Number("before_amperes", out.BeforeAmperes),
		runlog.Number("after_volts", out.AfterVolts), runlog.Number("after_amperes", out.AfterAmperes),
		runlog.Number("resistance_ohms", out.Ohms), runlog.Number("resistance_standard_uncertainty_ohms", out.OhmsDoubt)))
	r.checkpoint()
}

// Clear completes the checks of a pre-flight by what the run knows, and writes the clearance for an unattended run
// down if all are passed. unasked says why what the supply tells of itself is not of this moment; nil: it is.
func (r *Run) Clear(f *Facts, b control.BeginOrder, outside []control.Check, unasked error) ([]control.Check, error) {
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
	r.Cleared = clearance{By: b.By, At: utc}
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
	v, a := float64(r.reading.Volts), float64(r.reading.Amperes)
	sane := r.recent() && r.live(r.reading)
	checks = append(checks,
		check("reading", sane, fmt.Sprintf("%.3f V, %.3f A", v, a), fmt.Sprintf("%.3f V, %.3f A, %s old: too old, or no current", v, a, quantity.Duration(r.now()-r.lastGood))))
	zero := r.count.State().Zero
	checks = append(checks, check("zero", zero.Uncertainty > 0, quantity.WithDoubt(zero.Amperes, integrate.CoverageFactor*zero.Uncertainty)+" A",
		"not taken: run nightcell for some seconds with the output off before the run, or enter one with nightcell enter "+r.settings.Cell+" zero"))
	var standing []string
	for _, alarm := range r.alarms.Active() {
		if alarm.Priority >= alerts.High && alarm.Holds {
			standing = append(standing, alarm.Condition)
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
