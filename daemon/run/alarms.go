package run

import (
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
)

// ChangeAlarm lets a person's order change an alarm, and writes down what came of it.
func (r *Run) ChangeAlarm(f Facts, order func(b *alerts.Board, utc time.Time) (alerts.Change, error)) error {
	r.Learn(f)
	change, err := order(r.alarms, r.utc())
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
	r.note(r.log.Alarm(ch.UTC, runlog.Alarm{
		Condition: ch.Condition.String(), State: ch.To.String(), Priority: ch.Priority.String(), Text: ch.Text, Value: ch.Value,
	}, extra...))
	if ch.Condition == alerts.LogAltered && ch.To == alerts.ACKED {
		r.altered = "" // it happened once, and somebody knows
	}
	if ch.Cleared() {
		delete(r.hands.acted, ch.Condition) // should it come again, it is reacted to again
	}
	if kind, ok := kindOfNotice(ch); ok {
		r.noticeOf(kind, ch)
	}
}

// relist rebuilds the alarm list that snapshots show.
func (r *Run) relist() {
	active := r.alarms.Active()
	list := make([]snapshot.Alarm, 0, len(active))
	for _, a := range active {
		list = append(list, snapshot.Alarm{
			Condition: a.Condition.String(), State: a.State, Priority: a.Priority, Since: a.Since,
			First: a.First, Text: a.Text, Meaning: r.alarms.Meaning(a.Condition), Action: a.Condition.About().First,
			By: a.By, Reason: a.Reason, ShelfEnds: a.ShelfEnds,
		})
	}
	r.shown, r.blind = list, r.alarms.Blind()
}
