package routes

import (
	"context"
	"errors"
	"fmt"
	"io"
	"nightcell/alerts"
	"slices"
	"time"
)

// step deals with one notice or, when there is none, with one reminder, so that
// no reminder goes out while an answer waits to be read. What the source cannot hold comes after all that it
// has, so that no alarm is told after its own end, unless the source cannot be read either. more is false when nothing
// is left to do now; ok is false when something failed and has to be tried again.
func (w *worker) step(delivery context.Context) (more, ok bool) {
	urgent, found := w.nextUrgent()
	if found && w.unread {
		return true, w.getAhead(delivery, urgent)
	}
	if w.state.Held != nil && !w.way.Quiet.at(w.o.Clock.UTC()) {
		return true, w.catchUp(delivery)
	}
	if fresh, ok := w.next(delivery); fresh || !ok {
		return true, ok
	}
	if found {
		return true, w.getAhead(delivery, urgent)
	}
	if due := w.due(); due != nil {
		return true, w.remind(delivery, due)
	}
	if n, due := w.summary(); !due.IsZero() {
		if !w.send(delivery, n, due) {
			return true, false
		}
		w.state.Summed, w.unsaved = w.o.Clock.UTC(), true
		return true, true
	}
	return false, true
}

// read reads the source.
func (w *worker) read(delivery context.Context, cursor string) (n Notice, next string, err error) {
	n, next, err = w.o.Source.Next(delivery, cursor)
	w.unread = err != nil && !errors.Is(err, io.EOF)
	return n, next, err
}

// next deals with the notice at the cursor.
func (w *worker) next(delivery context.Context) (fresh, ok bool) {
	n, next, err := w.read(delivery, w.state.Cursor)
	if errors.Is(err, io.EOF) {
		return false, true
	}
	if err != nil {
		return true, w.lostPlace(delivery, fmt.Errorf("read the next notification: %w", err))
	}
	switch {
	case w.ahead[n.ID]: // it went out while the source could not take it
	case w.holds(n):
		w.hold(n)
	case !w.handle(delivery, n, n.At):
		return true, false
	}
	// The source has it, so that it need not come past it any more. Where quiet hours hold back a stretch of the source it is remembered
	// until that is told.
	w.state.setAhead(n, false)
	w.dropUrgent(n.ID)
	if w.state.Held == nil {
		delete(w.ahead, n.ID)
	}
	w.state.Cursor, w.unsaved = next, true
	return true, true
}

// holds reports whether the notice has to wait for the end of quiet hours. An
// escalation waits anyway, and is asked about quiet hours when it is due.
func (w *worker) holds(n Notice) bool {
	if !w.wants(n) || w.way.After > 0 || !w.way.Quiet.at(w.o.Clock.UTC()) {
		return false
	}
	below := w.way.Quiet.threshold()
	if w.state.Held != nil {
		below = w.state.Held.Below // one measure for the whole stretch
	}
	return holdsBack(below, n)
}

// holdsBack reports whether quiet hours with this threshold hold the notice back.
// They always do so with the end of a run, so that it comes after what was held of the run.
func holdsBack(below alerts.Priority, n Notice) bool { return n.Priority < below || n.Kind == Ended }

// hold leaves the notice for the end of quiet hours.
func (w *worker) hold(n Notice) {
	if w.state.Held == nil {
		w.state.Held = &held{From: w.state.Cursor, Below: w.way.Quiet.threshold()}
	}
	for i := range w.state.Open { // no reminder of what is closed, though the news of it waits
		if o := &w.state.Open[i]; n.closes(o.Notice) {
			o.answer()
			o.Aside = n.Kind != Acknowledged // a far side that keeps alarms lets it end by itself
		}
	}
}

// catchUp deals with the first notice that quiet hours may have held back.
func (w *worker) catchUp(delivery context.Context) bool {
	if w.state.Held.From == w.state.Cursor {
		w.state.Held, w.unsaved, w.quietOver = nil, true, time.Time{}
		return true
	}
	if w.quietOver.IsZero() {
		w.quietOver = w.o.Clock.UTC()
	}
	n, next, err := w.read(delivery, w.state.Held.From)
	if err != nil {
		return w.lostPlace(delivery, fmt.Errorf("read a deferred notification: %w", err))
	}
	if holdsBack(w.state.Held.Below, n) && !w.ahead[n.ID] && !w.handle(delivery, n, w.quietOver) {
		return false
	}
	delete(w.ahead, n.ID)
	w.state.Held.From, w.unsaved = next, true
	return true
}

// wants reports whether this route carries the notice at all.
func (w *worker) wants(n Notice) bool {
	switch {
	case n.Kind == Drill: // went out when it was asked for
		return false
	case n.Kind == Ended: // even where it is not told, it closes alarms
	case n.Priority < w.way.Least, n.Kind == Milestone && n.Priority < alerts.Highest && w.way.After > 0:
		return false
	}
	return len(w.way.Cells) == 0 || slices.Contains(w.way.Cells, n.Cell)
}

// handle delivers a notice that could go out since a time, or arranges that it
// goes out later, or finds that this route has no use for it. It returns false if it has to be tried again.
func (w *worker) handle(delivery context.Context, n Notice, since time.Time) bool {
	switch {
	case !w.wants(n):
		return true
	case n.Kind == Alarm && w.way.After > 0:
		if w.escalate(n) {
			return true
		}
	case n.Kind == Alarm:
		if o := w.state.find(n.subjectOf()); o != nil && o.Told > 0 { // raised again before it was over
			n.Thread = o.thread()
		} else if w.comesAndGoes(&n) {
			return true
		}
		if !w.send(delivery, n, since) {
			return false
		}
		w.told(w.state.put(n))
		return true
	case n.Kind.closes():
		return w.close(delivery, n, since)
	case n.Kind == Ended:
		return w.end(delivery, n, since)
	}
	return w.send(delivery, n, since)
}

// escalate notes an alarm that this route tells only if nobody answers it. It returns false if there is no room.
func (w *worker) escalate(n Notice) bool {
	now := w.o.Clock.UTC()
	o := w.state.find(n.subjectOf())
	if o != nil && !o.Answered { // it waits or was told already; raised again it does not get more time
		return true
	}
	if o = w.state.put(n); o == nil {
		return false
	}
	o.From, o.Due = now, n.At.Add(w.way.After)
	if latest := now.Add(w.way.After); o.Due.After(latest) { // the calendar was set back meanwhile
		o.Due = latest
	}
	return true
}

// close ends the reminders of an alarm and passes on why, if this route had told it.
func (w *worker) close(delivery context.Context, n Notice, since time.Time) bool {
	o := w.state.find(n.subjectOf())
	if o == nil && w.way.After > 0 {
		return true // never told here, so there is nothing to take back
	}
	if o != nil && o.Told == 0 {
		if n.At.Before(o.Due) || w.silenced(o) {
			w.state.remove(n.subjectOf()) // answered in time
			return true
		}
		if !w.remind(delivery, o) { // it was due before the answer came, and the route was not able
			return false
		}
	}
	if o != nil {
		o.answer()
		o.Notice.State, o.Aside = n.State, n.Kind == Quieted
		w.unsaved = true
		n.Priority = o.Notice.Priority // so that what was raised and what is closed are labelled alike
		n.Thread = o.thread()
	}
	tell := n.Kind == Cleared && (n.Priority > alerts.Low || w.keep != nil) || w.way.ReportAcknowledged || n.Kind == Quieted && w.keep != nil
	if tell && !(o != nil && o.Quietly) && !w.send(delivery, n, since) {
		return false
	}
	if n.Kind != Cleared {
		w.state.forgetFlaps(n) // somebody knows: should it come again, that is news
	} else {
		w.state.remove(n.subjectOf())
	}
	return true
}

// end closes every alarm of a cell.
func (w *worker) end(delivery context.Context, n Notice, since time.Time) bool {
	for i := range w.state.Open {
		o := &w.state.Open[i]
		if !n.closes(o.Notice) {
			continue
		}
		if o.Told == 0 && !n.At.Before(o.Due) && !w.silenced(o) && !w.remind(delivery, o) {
			return false
		}
		if o.Told > 0 && !o.Aside && w.keep != nil && !w.send(delivery, o.closed(n), since) {
			return false
		}
	}
	if w.way.After == 0 && n.Priority >= w.way.Least && !w.send(delivery, n, since) {
		return false
	}
	w.state.Open = slices.DeleteFunc(w.state.Open, func(o openAlarm) bool { return n.closes(o.Notice) })
	w.state.forgetFlaps(n)
	w.unsaved = true
	return true
}

// closed is the notice that the alarm is closed by the end of its run.
func (o *openAlarm) closed(end Notice) Notice {
	n := o.Notice
	n.Kind, n.At, n.Text, n.Thread = Cleared, end.At, end.Subject, o.thread()
	n.ID = end.ID + "-" + n.Condition
	return n
}

// due returns the alarm that has waited longest to be told again, if one may be told now.
func (w *worker) due() *openAlarm {
	var first *openAlarm
	now := w.o.Clock.UTC()
	for i := range w.state.Open {
		o := &w.state.Open[i]
		if o.Due.IsZero() || w.silenced(o) {
			continue
		}
		if now.Before(o.From) { // the calendar was set back: begin the wait again, do not sleep through it
			o.From, o.Due = now, now.Add(o.Due.Sub(o.From))
		}
		if !o.Due.After(now) && o.Told > 0 && w.state.beside(o) { // wait once more
			o.again(now, w.way.Repeat)
			continue
		}
		if w.thinned(o, now) {
			continue
		}
		if !o.Due.After(now) && (first == nil || o.Due.Before(first.Due)) {
			first = o
		}
	}
	return first
}

// silenced reports whether quiet hours keep an alarm from being told now.
func (w *worker) silenced(o *openAlarm) bool {
	return o.Notice.Priority < w.way.Quiet.threshold() && w.way.Quiet.at(w.o.Clock.UTC())
}

// remind tells an alarm that is due, for the first time on this route or again.
func (w *worker) remind(delivery context.Context, o *openAlarm) bool {
	n := o.Notice
	if n.Repeat = o.Told; n.Repeat > 0 {
		// Another message, not the same one once more: a receiver that knows the first must not drop it.
		n.Thread, n.ID = o.thread(), fmt.Sprintf("%s-repeat-%d", n.ID, n.Repeat)
	}
	if w.o.Present != nil {
		n = n.asOf(w.o.Clock.UTC(), w.o.Present(n.Cell))
	}
	if !w.send(delivery, n, o.Due) {
		return false
	}
	w.told(o)
	return true
}

// told notes that the alarm has just been told. o is nil if there was no room to remember it.
func (w *worker) told(o *openAlarm) {
	if o == nil {
		return
	}
	o.Told++
	o.Quietly = false
	if f := w.state.flapOf(o.Notice); f != nil && !f.Told.Equal(o.Notice.At) {
		f.Told, f.Tellings, f.Priority = o.Notice.At, f.Tellings+1, o.Notice.Priority
	}
	repeat := w.way.Repeat
	if o.Notice.Priority == alerts.Low {
		repeat = 0 // it is news that nobody need come for
	}
	o.again(w.o.Clock.UTC(), repeat)
	w.unsaved = true
}
