package run

import (
	"fmt"
	"maps"
	"math"
	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/notices"
	"nightcell/daemon/runlog"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// outsideEvery is the run time between looks at pushes and routes.
const outsideEvery = 10 * time.Second

// observe gathers all that is known at this moment for the alarm board. fresh says that a reading of the supply came with this round.
func (r *Run) observe(fresh bool) (o alerts.Observation) {
	t := &r.totals
	now := r.now()
	o = alerts.Blank(now, r.time.stamp(now))
	if fresh {
		o.HasReading = true
		o.Volts, o.Amperes = float64(r.reading.Volts), float64(r.reading.Amperes)
		o.OwnVolts, o.OwnAmperes = float64(r.reading.Shown.Volts), float64(r.reading.Own())
		o.Mode, o.Output = alerts.Mode(r.reading.Mode), alerts.Output(r.reading.Output)
		o.LineLost = r.lostFor
	} else if r.reading.Shown.Silent && !r.cut && r.recent() {
		o.Amperes = float64(r.reading.Amperes) // by the meter alone
	}
	o.Gap, r.gap = r.gap, 0
	o.Silence = now - r.heard
	r.observeMeters(&o, fresh)
	o.SharedWith = r.supply.SharedBy

	st := &r.supply.Status
	o.SetVolts, o.SetAmperes = float64(st.SetVolts), float64(st.SetAmperes)
	o.LimitAmperes = float64(st.LimitAmperes)
	if len(st.Tripped) > 0 {
		o.Tripped = st.Tripped[0]
		if len(st.Tripped) > 1 {
			o.Tripped = strings.Join(st.Tripped, ", ")
		}
	}
	o.Restarted = r.supplyRestarted
	o.OffExpected = r.hands.expected || r.hands.parted
	o.OffFailed = r.hands.failed

	o.Charge, o.ChargeUncertainty = t.Charge, t.StandardUncertainty
	o.Elapsed = t.Elapsed
	if r.settings.Plan != nil {
		r.observeBath(&o)
	}
	if need := r.settings.AirNeededPerAmpere; !math.IsNaN(need) && fresh {
		o.AirNeeded, o.AirStated, o.Gas = need*math.Abs(o.Amperes), r.settings.AirStated, r.settings.Gas
	}
	o.LogFree = r.diskFree
	o.LogFailed, o.LogAltered = r.logWaiting, r.Altered
	if r.settings.Outside != nil {
		if now >= r.outsideAt {
			r.outside = r.settings.Outside()
			r.outsideAt = now + outsideEvery
		}
		o.Outside = r.outside
	}
	return o
}

// observeBath adds what the model of the bath says to an observation.
func (r *Run) observeBath(o *alerts.Observation) {
	st := &r.standing
	o.Target = r.target
	if r.Reached {
		o.Target = math.Min(o.Target, r.totals.Charge)
	}
	o.PlanCharge = r.planned()
	o.Deposit, o.LimitingRatio = st.Confirmed, st.LoadRatio
	if st.Marginal > 0 && o.HasReading {
		o.MarginalJoules = o.Volts / (st.Marginal * r.plan.equivalent)
	}
}

// ChangeAlarm lets a person's order change an alarm, and writes down what came of it.
func (r *Run) ChangeAlarm(f *Facts, c alerts.Condition, o alerts.Order) error {
	r.Learn(f)
	change, err := r.alarms.Obey(c, o, r.utc())
	if err != nil {
		return control.Refuse("%v", err)
	}
	r.follow([]alerts.Change{change})
	return nil
}

// follow writes down what the board changed, and a notice for each change that a person must hear of.
func (r *Run) follow(changes []alerts.Change) {
	for i := range changes {
		r.followOne(&changes[i])
	}
	if len(changes) == 0 {
		return
	}
	r.relist()
	// A change must survive a kill exactly, so a checkpoint follows it at once.
	r.checkpoint()
	r.settings.wake()
}

func (r *Run) followOne(ch *alerts.Change) {
	r.settings.Log.Info("alarm", "cell", r.settings.Cell, "condition", ch.Condition.String(),
		"from", ch.From.String(), "to", ch.State.String(), "priority", ch.Priority.String(), "text", ch.Text)
	fields := []runlog.Field{
		runlog.Text("state", ch.State.String()), runlog.Text("priority", ch.Priority.String()), runlog.Number("value", ch.Value), runlog.Text("text", ch.Text),
		runlog.Text("before", ch.From.String()), runlog.Number("limit", ch.Limit), runlog.Flag("first", ch.First),
		runlog.Text("meaning", ch.Meaning), runlog.Text("action", ch.Action),
	}
	if ch.By != "" {
		fields = append(fields, runlog.Text("by", ch.By))
	}
	if ch.After != alerts.None {
		fields = append(fields, runlog.Text("after", ch.After.String()))
	}
	r.note(r.log.Alarm(ch.UTC, ch.Condition.String(), fields...))
	if ch.Condition == alerts.LogAltered && ch.State == alerts.ACKED {
		r.Altered = "" // it happened once, and somebody knows
	}
	if ch.Cleared() {
		delete(r.hands.acted, ch.Condition) // should it come again, it is reacted to again
		delete(r.hands.refused, ch.Condition)
	}
	if kind, ok := kindOfNotice(ch); ok && !(kind == routes.Alarm && r.saysItself(ch)) {
		r.noticeOf(kind, ch)
	}
}

// saysItself says that the act at the target reports what an alarm would: that the target is reached and, where nightcell lowers the current
// there, so that nobody need be at the cell in time, that it was near.
func (r *Run) saysItself(ch *alerts.Change) bool {
	return r.actsAtTarget() && (ch.Condition == alerts.TargetReached ||
		ch.Condition == alerts.TargetNear && ch.Priority == alerts.Low && r.settings.AtTarget == alerts.Hold)
}

// relist rebuilds the alarm list that snapshots show.
func (r *Run) relist() { r.shown, r.blind = r.alarms.Active(), r.alarms.Blind() }

// kindOfNotice says whether a change is news for a person, and of which kind.
func kindOfNotice(ch *alerts.Change) (routes.Kind, bool) {
	switch {
	case ch.Raised():
		return routes.Alarm, true
	case ch.State == alerts.ACKED:
		return routes.Acknowledged, true
	case ch.State == alerts.SHLVD || ch.State == alerts.DSUPR || ch.State == alerts.OOSRV:
		return routes.Quieted, ch.From.Active() // what keeps alarms standing must hear of acknowledged ones too
	case ch.Cleared():
		return routes.Cleared, true
	}
	return "", false
}

// acknowledgeBy says how an alarm is answered.
func (s *Settings) acknowledgeBy(c alerts.Condition) string {
	return fmt.Sprintf("nightcell alarms ack %s %s, or the button on the page", s.Cell, c)
}

// overWords says of an alarm whose condition is over what its state still asks for.
var overWords = map[alerts.State]string{
	alerts.NORM:  " is over",
	alerts.RTNUN: " cleared, not acknowledged",
	alerts.LTUNK: " cleared, latched until acknowledged and reset",
	alerts.LTACK: " cleared, latched until reset",
}

// noticeOf tells a change of an alarm.
func (r *Run) noticeOf(kind routes.Kind, ch *alerts.Change) {
	subject := fmt.Sprintf("%s: %s", r.settings.Cell, ch.Condition)
	switch kind {
	case routes.Alarm: // all that fits on a telephone's lock screen: cell, what, value, first action
		if ch.Figure != "" {
			subject += ", " + ch.Figure
		}
		if step := firstStep(ch.Action); step != "" {
			subject += ": " + step
		}
	case routes.Cleared:
		// Told once and neither repeated nor escalated, latched or not: nothing is left that a person must come for at
		// night. It stays on the list and the page until somebody has dealt with it.
		subject += overWords[ch.State]
	case routes.Acknowledged:
		subject += " acknowledged by " + ch.By
	case routes.Quieted:
		subject += " shelved by " + ch.By
	}
	var judged map[string]float64
	if kind == routes.Alarm {
		judged = figuresOf(ch)
	}
	r.Notice(ch.UTC, routes.Notice{
		Values: judged,
		Kind:   kind, Condition: ch.Condition.String(), After: ch.After.String(), Priority: alerts.Priority(ch.Priority), State: ch.State.String(),
		Since: ch.Since, Subject: subject, Text: ch.Text, Meaning: ch.Meaning, First: ch.Action,
		Acknowledge: r.settings.acknowledgeBy(ch.Condition),
	})
}

// firstStep is the first thing that an action asks for, without what comes then.
func firstStep(action string) string {
	end := len(action)
	for _, mark := range []string{". ", "; ", ": ", ", then "} {
		if i := strings.Index(action, mark); i >= 0 {
			end = min(end, i)
		}
	}
	step := strings.TrimSuffix(action[:end], ".")
	if step == "" {
		return ""
	}
	first, size := utf8.DecodeRuneInString(step)
	return string(unicode.ToLower(first)) + step[size:]
}

// Notice completes a notice with where the run stands and logs it. The log is the
// queue: routes read it by cursors of their own.
func (r *Run) Notice(utc time.Time, n routes.Notice) {
	// Two alarms of one moment are two notices: whoever drops repeated IDs must get both.
	if !utc.After(r.noticed) {
		utc = r.noticed.Add(time.Nanosecond)
	}
	r.noticed = utc
	n.Cell, n.Supply, n.At = r.settings.Cell, r.settings.Supply, utc
	n.ID = notices.ID(r.settings.Cell, utc)
	values := r.figures()
	maps.Copy(values, n.Values)
	n.Values = values
	err := notices.Write(r.log, n)
	r.note(err)
	if err != nil || r.log.Health().Cause != nil { // it waits in memory, where no route looks
		r.settings.Past(n)
	}
	r.settings.wake()
}

// figures are those of where the run stands, in SI with the unit last in the name.
func (r *Run) figures() map[string]float64 {
	t := r.count.Totals()
	values := map[string]float64{
		"charge_coulombs": t.Charge, "charge_standard_uncertainty_coulombs": t.StandardUncertainty, "energy_joules": t.Energy,
	}
	if r.settings.Plan != nil && r.target > 0 {
		values["target_charge_coulombs"], values["deposit_kilograms"] = r.target, r.standing.Confirmed
	}
	if r.reading.At != 0 {
		values["reading_volts"], values["reading_amperes"] = float64(r.reading.Volts), float64(r.reading.Amperes)
	}
	return values
}

// figuresOf are what an alarm judged and what it held that against, as its text tells them.
func figuresOf(ch *alerts.Change) map[string]float64 {
	unit := ch.Condition.Unit()
	if unit == "" {
		return nil
	}
	values := make(map[string]float64, 2)
	for name, v := range map[string]float64{routes.FoundPrefix: ch.Value, "limit_": ch.Limit} {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			values[name+unit] = v
		}
	}
	return values
}
