package routes

import (
	"context"
	"errors"
	"fmt"
	"io"
)

// beginAnew is the state of a route whose saved one is lost: from the newest notice on, and
// with every alarm that stands unanswered, though some may have been told before. What else was not yet told,
// milestones and the ends of alarms, stays in the run log.
func (w *worker) beginAnew(ctx context.Context, lost error) (state, error) {
	s, err := w.survey(ctx)
	if err != nil {
		return state{}, fmt.Errorf("find the alarms that stand: %w", err)
	}
	where, kept := w.o.Store.SetAside(w.way.Route.Name())
	if kept != nil { // it still works, and that comes first
		where = kept.Error()
	}
	w.o.Log.Error("the state of a route cannot be read: it begins anew with the alarms that stand and the newest notice; some may come twice",
		"route", w.way.Route.Name(), "set aside as", where, "error", lost)
	return s, nil
}

// newcomer is the state of a route that never had one: old news is not told to it, save the
// alarms that stand where the far side is to know of all of them.
func (w *worker) newcomer(ctx context.Context) (s state, err error) {
	if w.keeps() {
		if s, err = w.survey(ctx); err != nil {
			return s, err
		}
	}
	s.Cursor, err = w.o.Source.Start(ctx)
	return s, err
}

// lostPlace begins anew where the route's place in the source is damaged; any other failure to
// read is tried again. It returns false if it has to be.
func (w *worker) lostPlace(ctx context.Context, failed error) bool {
	if !errors.Is(failed, ErrCursor) {
		w.fail(failed)
		return false
	}
	s, err := w.beginAnew(ctx, failed)
	if err != nil {
		w.fail(err)
		return false
	}
	s.Proved, s.SetAside = w.state.Proved, w.state.SetAside
	w.state, w.unsaved, w.unread = s, true, false
	return true
}

// survey reads what the source has of its last run.
func (w *worker) survey(ctx context.Context) (s state, err error) {
	if s.Cursor, err = w.o.Source.Latest(ctx); err != nil {
		return s, err
	}
	var standing []openAlarm // oldest first; acknowledged ones only for a far side that must be told of them too
	for at := s.Cursor; ; {
		n, next, err := w.o.Source.Next(ctx, at)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return s, err
		}
		kept := standing[:0]
		for _, a := range standing {
			switch {
			case w.keeps() && n.Kind == Acknowledged && n.closes(a.Notice):
				a.Answered, a.Notice.State = true, n.State
			case n.closes(a.Notice), n.Kind == Alarm && a.Notice.subjectOf() == n.subjectOf():
				continue
			}
			kept = append(kept, a)
		}
		if standing = kept; n.Kind == Alarm && w.wants(n) {
			standing = append(standing, openAlarm{Notice: n})
		}
		s.Cursor, at = at, next // before the newest, which is told in its turn
	}
	for _, a := range standing {
		n, o := a.Notice, s.put(a.Notice)
		switch {
		case o == nil: // no room
		case a.Answered:
			o.answer()
			o.Told = 1 // it is in the next renewal
		default:
			o.From, o.Due = n.At, n.At.Add(w.way.After)
			if now := w.o.Clock.UTC(); o.Due.After(now.Add(w.way.After)) || o.From.After(now) { // the calendar was set back
				o.From, o.Due = now, now.Add(w.way.After)
			}
		}
	}
	return s, nil
}
