package daemon

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
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
)

// follow writes down what the board changed, and a notice for each change that a person must hear of.
func (r *run) follow(c *Cell, changes []alerts.Change) {
	for i := range changes {
		r.followOne(c, &changes[i])
	}
	if len(changes) == 0 {
		return
	}
	r.relist()
	// A change must survive a kill exactly, so a checkpoint follows it at once.
	r.note(c, r.checkpoint(c, r.time.stamp(r.time.now())))
	c.wake()
}

func (r *run) followOne(c *Cell, ch *alerts.Change) {
	c.set.Log.Info("alarm", "cell", c.set.Cell, "condition", ch.Condition.String(),
		"from", ch.From.String(), "to", ch.To.String(), "priority", ch.Priority.String(), "text", ch.Text)
	extra := []runlog.Field{
		runlog.Text("before", ch.From.String()), runlog.Number("limit", ch.Limit), runlog.Flag("first", ch.First),
		runlog.Text("meaning", ch.Meaning), runlog.Text("action", ch.Action),
	}
	if ch.By != "" {
		extra = append(extra, runlog.Text("by", ch.By))
	}
	if ch.After != alerts.None {
		extra = append(extra, runlog.Text("after", ch.After.String()))
	}
	r.note(c, r.log.Alarm(ch.UTC, runlog.Alarm{
		Condition: ch.Condition.String(), State: ch.To.String(), Priority: ch.Priority.String(), Text: ch.Text, Value: ch.Value,
	}, extra...))
	if ch.Condition == alerts.LogAltered && ch.To == alerts.ACKED {
		r.altered = "" // it happened once, and somebody knows
	}
	if ch.Cleared() {
		delete(r.acted, ch.Condition) // should it come again, it is reacted to again
	}
	if kind, ok := kindOfNotice(ch); ok {
		r.tell(c, kind, ch)
	}
}

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

// tell writes a notice into the log, from where the routes take it.
func (r *run) tell(c *Cell, kind routes.Kind, ch *alerts.Change) {
	subject := fmt.Sprintf("%s: %s", c.set.Cell, ch.Condition)
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
	r.notice(c, ch.UTC, routes.Notice{
		Values: judged,
		Kind:   kind, Condition: ch.Condition.String(), After: ch.After.String(), Priority: routes.Priority(ch.Priority), State: ch.To.String(),
		Since: ch.Since, Subject: subject, Text: ch.Text, Meaning: ch.Meaning, First: ch.Action,
		Acknowledge: fmt.Sprintf("nightcell alarms ack %s %s, or the button on the page", c.set.Cell, ch.Condition),
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

// notice completes a notice with where the run stands and logs it. The log is the
// queue: routes read it by cursors of their own.
func (r *run) notice(c *Cell, utc time.Time, n routes.Notice) {
	// Two alarms of one moment are two notices: whoever drops repeated IDs must get both.
	if !utc.After(r.told) {
		utc = r.told.Add(time.Nanosecond)
	}
	r.told = utc
	n.Cell, n.Supply, n.At = c.set.Cell, c.set.Supply, utc
	n.ID = noticeID(c.set.Cell, utc)
	values := r.figures(c)
	maps.Copy(values, n.Values)
	n.Values = values
	err := logNotice(r.log, n)
	r.note(c, err)
	if err != nil || r.log.Health().Cause != nil { // it waits in memory, where no route looks
		c.tell(n)
	}
	c.wake()
}

// figures are those of where the run stands, in SI with the unit last in the name.
func (r *run) figures(c *Cell) map[string]float64 {
	t := r.count.Totals()
	values := map[string]float64{
		"charge_coulombs": t.Charge, "charge_standard_uncertainty_coulombs": t.StandardUncertainty, "energy_joules": t.Energy,
	}
	if c.set.Plan != nil && r.target > 0 {
		values["target_charge_coulombs"], values["deposit_kilograms"] = r.target, r.standing.Confirmed
	}
	if c.reading.At != 0 {
		values["reading_volts"], values["reading_amperes"] = float64(c.reading.Volts), float64(c.reading.Amperes)
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

// tell hands a notice to the routes past the log, which does not take it now.
func (c *Cell) tell(n routes.Notice) {
	if c.set.Tell != nil {
		c.set.Tell(n)
	}
}

// relist rebuilds the alarm list that snapshots show.
func (r *run) relist() {
	active := r.alarms.Active()
	list := make([]snapshot.Alarm, 0, len(active))
	for _, a := range active {
		list = append(list, snapshot.Alarm{
			Condition: a.Condition.String(), State: a.State.String(), Priority: a.Priority.String(), Since: a.Since,
			First: a.First, Text: a.Text, Meaning: r.alarms.Meaning(a.Condition), Action: a.Condition.About().First,
			By: a.By, Reason: a.Reason, ShelfEnds: a.ShelfEnds,
		})
	}
	r.shown, r.blind = list, r.alarms.Blind()
}

// wake tells those who read the log that there is something new.
func (c *Cell) wake() {
	if c.set.Wake != nil {
		c.set.Wake()
	}
}
