package routes

import (
	"context"
	"time"
)

// Daily is a time of every day; the zero value is none.
type Daily struct {
	At       time.Duration  // since midnight by the wall clock of Location
	Location *time.Location // nil: there is none
}

// after is the first such time behind t.
func (d Daily) after(t time.Time) time.Time {
	local := t.In(d.Location)
	for day := range 3 { // a day without it, as clocks are set forward, is made up for by time.Date
		next := time.Date(local.Year(), local.Month(), local.Day()+day, 0, int(d.At/time.Minute), 0, 0, d.Location)
		if next.After(t) {
			return next
		}
	}
	return t.Add(24 * time.Hour)
}

// summary returns the summary that is due and since when, or a zero time. One that was missed is told late, once.
func (w *worker) summary() (n Notice, due time.Time) {
	if w.way.Summary.Location == nil || w.o.Summary == nil {
		return n, due
	}
	now := w.o.Clock.UTC()
	if last := w.state.Summed; last.IsZero() || last.After(now) { // a newcomer, or the calendar was set back
		w.state.Summed, w.unsaved = now, true
		return n, due
	}
	if due = w.way.Summary.after(w.state.Summed); due.After(now) {
		return n, time.Time{}
	}
	n, ok := w.o.Summary(w.way.Cells, w.state.Summed)
	if !ok { // nothing was watched since
		w.state.Summed, w.unsaved = now, true
		return n, time.Time{}
	}
	n.Kind, n.At, n.ID = Summary, now, "summary-"+due.UTC().Format(time.RFC3339)
	return n, due
}

// summarize tells the summary that is due.
func (w *worker) summarize(delivery context.Context, n Notice, due time.Time) bool {
	if !w.send(delivery, n, due) {
		return false
	}
	w.state.Summed, w.unsaved = w.o.Clock.UTC(), true
	return true
}
