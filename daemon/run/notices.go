package run

import (
	"fmt"
	"maps"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/notices"
)

// kindOfNotice says whether a change is news for a person, and of which kind.
func kindOfNotice(ch *alerts.Change) (routes.Kind, bool) {
	switch {
	case ch.Raised():
		return routes.Alarm, true
	case ch.To == alerts.ACKED:
		return routes.Acknowledged, true
	case ch.To == alerts.SHLVD || ch.To == alerts.DSUPR || ch.To == alerts.OOSRV:
		return routes.Quieted, ch.From.Active() // what keeps alarms standing must hear of acknowledged ones too
	case ch.Cleared():
		return routes.Cleared, true
	}
	return "", false
}

// overWords says of an alarm whose condition is over what its state still asks for.
var overWords = map[alerts.State]string{
	alerts.NORM:  " is over",
	alerts.RTNUN: " is over, still to be acknowledged",
	alerts.LTUNK: " is over, still to be acknowledged and reset",
	alerts.LTACK: " is over, still to be reset",
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
		subject += overWords[ch.To]
	case routes.Acknowledged:
		subject += " acknowledged by " + ch.By
	case routes.Quieted:
		subject += " set aside by " + ch.By
	}
	var judged map[string]float64
	if kind == routes.Alarm {
		judged = figuresOf(ch)
	}
	r.Notice(ch.UTC, routes.Notice{
		Values: judged,
		Kind:   kind, Condition: ch.Condition.String(), After: ch.After.String(), Priority: routes.Priority(ch.Priority), State: ch.To.String(),
		Since: ch.Since, Subject: subject, Text: ch.Text, Meaning: ch.Meaning, First: ch.Action,
		Acknowledge: fmt.Sprintf("nightcell alarms ack %s %s, or the button on the page", r.settings.Cell, ch.Condition),
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
