package routes

import (
	"nightcell/alerts"
	"slices"
	"time"
)

// flapping is how many reminders' time after it was told an alarm that comes again is told quietly: two hours of 15 min. It is
// thinnedBy times as long once that has happened, but not for an urgent alarm.
const flapping = 8

// flap is an alarm that was told and, by an end of its own, may come and go.
type flap struct {
	Cell      string          `json:"cell"`
	Condition string          `json:"condition"`
	Thread    string          `json:"thread"`
	Priority  alerts.Priority `json:"priority"`
	// Last and Told are when the newest was raised, and the newest that was told; Times and Tellings count them.
	Last     time.Time `json:"last"`
	Told     time.Time `json:"told,omitzero"`
	Times    int       `json:"times"`
	Tellings int       `json:"tellings,omitempty"`
}

// comesAndGoes counts an alarm that is raised again soon after it was told and was over, nobody having answered it. It reports whether it is
// told only if it still holds when a reminder would be due. The most urgent is told each time.
func (w *worker) comesAndGoes(n *Notice) (quietly bool) {
	if w.keep != nil || n.Priority >= alerts.Highest {
		return false
	}
	f, wait := w.state.flapOf(*n), flapping*w.way.Repeat
	if f != nil && n.At.Before(f.Last) { // held back by quiet hours, or the calendar was set back
		return false
	}
	if f != nil && f.Tellings > 1 && n.Priority < alerts.High {
		wait *= thinnedBy
	}
	if f == nil || n.At.Sub(f.Last) >= wait {
		w.state.forgetFlaps(Notice{Kind: Acknowledged, Cell: n.Cell, Condition: n.Condition})
		if len(w.state.Flaps) < mostOpen {
			w.state.Flaps = append(w.state.Flaps, flap{Cell: n.Cell, Condition: n.Condition, Thread: n.ID, Last: n.At, Times: 1})
		}
		return false
	}
	if !f.Last.Equal(n.At) { // else it is handed over once more
		f.Last, f.Times = n.At, f.Times+1
	}
	if n.Times = f.Times; f.Times == 1 {
		return false
	}
	n.Thread = f.Thread
	if n.At.Sub(f.Told) >= wait || n.Priority > f.Priority {
		return false
	}
	o := w.state.put(*n)
	if o == nil {
		return false
	}
	o.Told, o.Quietly, w.unsaved = 1, true, true
	o.again(w.o.Clock.UTC(), w.way.Repeat)
	return true
}

func (s *state) flapOf(n Notice) *flap {
	if i := slices.IndexFunc(s.Flaps, func(f flap) bool { return f.Cell == n.Cell && f.Condition == n.Condition }); i >= 0 {
		return &s.Flaps[i]
	}
	return nil
}

// forgetFlaps forgets what n closes.
func (s *state) forgetFlaps(n Notice) {
	s.Flaps = slices.DeleteFunc(s.Flaps, func(f flap) bool { return n.closes(Notice{Cell: f.Cell, Condition: f.Condition}) })
}
