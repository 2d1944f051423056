package routes

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"nightcell/alerts"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// mostOpen bounds the alarms that a route remembers. There is one per condition of
// a cell, so a real laboratory stays far below it; beyond it the rules that need memory are dropped, not notices.
const mostOpen = 1000

// state is what a route keeps across restarts.
type state struct {
	// Cursor is behind the last notice that was dealt with.
	Cursor string `json:"cursor"`
	// Held, if set, says which notices quiet hours hold back.
	Held *held `json:"held,omitempty"`
	// Open are the alarms that were told, or that wait to be escalated, oldest first.
	Open []openAlarm `json:"open,omitempty"`
	// Flaps are the alarms that were told and may come and go.
	Flaps []flap `json:"flaps,omitempty"`
	// Proved is when the far side last took a notice.
	Proved   time.Time `json:"proved,omitzero"`
	SetAside uint64    `json:"set_aside,omitempty"`
	// Summed is when the newest summary was told, or when the route was first asked for one.
	Summed time.Time `json:"summed,omitzero"`
}

// held is a stretch of the source, from a cursor up to state.Cursor, in which
// the notices below a priority are unsent and all others are dealt with. It keeps
// any number of notices without remembering one.
type held struct {
	From  string          `json:"from"`
	Below alerts.Priority `json:"below"`
}

// openAlarm is an alarm that may have to be told again.
type openAlarm struct {
	Notice Notice `json:"notice"`
	// Told is how often this route has told it; 0: it waits to be escalated.
	Told int `json:"told"`
	// Answered says that it is acknowledged, quieted or over.
	Answered bool `json:"answered,omitempty"`
	// Aside says that it is no alarm for now, though not over: shelved, suppressed or out of service.
	Aside bool `json:"aside,omitempty"`
	// Quietly says that it was told when it was raised before, not this time.
	Quietly bool `json:"quietly,omitempty"`
	// Ahead says that it was told before the source had it.
	Ahead bool `json:"ahead,omitempty"`
	// From and Due are the beginning and the end of the wait until it is told next; Due is zero when it never is.
	From time.Time `json:"from,omitzero"`
	Due  time.Time `json:"due,omitzero"`
}

// answer ends the reminders.
func (o *openAlarm) answer() { o.Answered, o.Due = true, time.Time{} }

// again begins the wait for the next reminder; without repeat there is none.
func (o *openAlarm) again(now time.Time, repeat time.Duration) {
	o.From, o.Due = now, time.Time{}
	if repeat > 0 {
		o.Due = now.Add(repeat)
	}
}

// thread is the ID of the notice that first told the alarm.
func (o *openAlarm) thread() string {
	return cmp.Or(o.Notice.Thread, o.Notice.ID)
}

// beside reports whether the alarm came after one that this route still repeats and that is no less
// urgent: whoever comes for the first finds the other, and its reminders would only bury those of the cause.
func (s *state) beside(o *openAlarm) bool {
	if o.Notice.After == "" {
		return false
	}
	first := s.find(alarmKey{o.Notice.Cell, o.Notice.After})
	return first != nil && !first.Due.IsZero() && first.Told > 0 && first.Notice.Priority >= o.Notice.Priority &&
		first.Notice.At.Before(o.Notice.At) // two that came after each other in turn must not silence each other
}

func (s *state) find(key alarmKey) *openAlarm {
	if i := slices.IndexFunc(s.Open, func(o openAlarm) bool { return o.Notice.subjectOf() == key }); i >= 0 {
		return &s.Open[i]
	}
	return nil
}

func (s *state) remove(key alarmKey) {
	s.Open = slices.DeleteFunc(s.Open, func(o openAlarm) bool { return o.Notice.subjectOf() == key })
}

// put opens the alarm of n, in place of an older one of the same condition. It returns nil if there is no room.
func (s *state) put(n Notice) *openAlarm {
	s.remove(n.subjectOf())
	if len(s.Open) >= mostOpen {
		return nil
	}
	n.Picture, n.Values = nil, finite(n.Values)
	s.Open = append(s.Open, openAlarm{Notice: n})
	return &s.Open[len(s.Open)-1]
}

// Directory is a Store of one small file for each route.
type Directory struct {
	Path string
	// Write replaces a file atomically and durably: temporary file, fsync, rename, fsync of the directory.
	Write func(path string, data []byte) error
}

// Load implements Store.
func (d Directory) Load(route string) ([]byte, error) {
	data, err := os.ReadFile(d.file(route))
	if os.IsNotExist(err) {
		return nil, nil
	}
	return data, err
}

// Save implements Store.
func (d Directory) Save(route string, data []byte) error {
	if err := os.MkdirAll(d.Path, 0o700); err != nil {
		return err
	}
	return d.Write(d.file(route), data)
}

// SetAside implements Store.
func (d Directory) SetAside(route string) (where string, err error) {
	from := d.file(route)
	to := from + ".damaged-" + time.Now().UTC().Format("20060102T150405.000000000Z")
	return to, os.Rename(from, to)
}

func (d Directory) file(route string) string {
	return filepath.Join(d.Path, fileName(route)+".json")
}

// notInFile is what a file name has as hexadecimal digits, capitals too: some file systems do not distinguish them.
var notInFile = regexp.MustCompile(`[^a-z0-9_-]`)

// fileName makes any route name fit for a file, two different names never alike.
func fileName(route string) string {
	return notInFile.ReplaceAllStringFunc(route, func(s string) string { return strings.ReplaceAll(fmt.Sprintf(" % x", s), " ", "%") })
}

// beginAnew is the state of a route whose saved one is lost: from the newest notice on, and
// with every alarm that stands unanswered, though some may have been told before. What else was not yet told,
// milestones and the ends of alarms, stays in the run log.
func (w *worker) beginAnew(ctx context.Context, lost error) (state, error) {
	s, err := w.survey(ctx)
	if err != nil {
		return state{}, fmt.Errorf("find the active alarms: %w", err)
	}
	where, kept := w.o.Store.SetAside(w.way.Route.Name())
	if kept != nil { // it still works, and that comes first
		where = kept.Error()
	}
	w.o.Log.Error("the state of a route cannot be read: it restarts with the active alarms and the newest notification; some may be repeated",
		"route", w.way.Route.Name(), "renamed to", where, "error", lost)
	return s, nil
}

// newcomer is the state of a route that never had one: old news is not told to it, save the
// alarms that stand where the far side is to know of all of them.
func (w *worker) newcomer(ctx context.Context) (s state, err error) {
	if w.keep != nil {
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
			case w.keep != nil && n.Kind == Acknowledged && n.closes(a.Notice):
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
