package routes

import (
	"context"
	"slices"
)

// mostUrgent bounds the notices that wait in memory alone, and mostAhead those that are
// remembered as dealt with until the source has them; beyond it some come twice.
const (
	mostUrgent = 100
	mostAhead  = 1000
)

// addUrgent takes a notice that the source cannot hold for now. Any goroutine may call it.
func (w *worker) addUrgent(n Notice) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.urgent = append(w.urgent, n)
	if len(w.urgent) <= mostUrgent {
		return
	}
	least := 0
	for i := range w.urgent {
		if w.urgent[i].Priority < w.urgent[least].Priority {
			least = i
		}
	}
	w.urgent = slices.Delete(w.urgent, least, least+1)
}

// takeOver goes on with what the worker of the same route before knew and the source does not.
func (w *worker) takeOver(before *worker) {
	before.mu.Lock()
	waiting := slices.Clone(before.urgent)
	before.mu.Unlock()
	w.mu.Lock()
	waiting, w.urgent = append(waiting, w.urgent...), nil
	w.mu.Unlock()
	for _, n := range waiting {
		w.addUrgent(n)
	}
	select {
	case <-before.done:
		w.ahead = before.ahead
	default: // it is stuck in a delivery, so its memory is not ours to read
	}
}

// nextUrgent returns the oldest that may go out now; it stays until dropUrgent. What
// quiet hours hold back waits for their end, or for the source.
func (w *worker) nextUrgent() (Notice, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, n := range w.urgent {
		if !w.holds(n) {
			return n, true
		}
	}
	return Notice{}, false
}

func (w *worker) dropUrgent(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.urgent = slices.DeleteFunc(w.urgent, func(n Notice) bool { return n.ID == id })
}

// getAhead deals with a notice before the source has it. It returns false if it has to be tried again.
func (w *worker) getAhead(delivery context.Context, n Notice) bool {
	if !w.handle(delivery, n, n.At) {
		return false
	}
	if w.ahead == nil || len(w.ahead) >= mostAhead {
		w.ahead = map[string]bool{}
	}
	w.ahead[n.ID], w.unsaved = true, true
	w.state.setAhead(n, true)
	w.dropUrgent(n.ID)
	return true
}

// caughtUp notes that the source has a notice: it need not come past it any more. Where
// quiet hours hold back a stretch of the source it is remembered until that is told.
func (w *worker) caughtUp(n Notice) {
	w.state.setAhead(n, false)
	w.dropUrgent(n.ID)
	if w.state.Held == nil {
		delete(w.ahead, n.ID)
	}
}

// setAhead marks the open alarm that a notice raised, if it did, as one that the source does not have.
func (s *state) setAhead(n Notice, ahead bool) {
	if o := s.find(n.subjectOf()); o != nil && o.Notice.ID == n.ID {
		o.Ahead = ahead
	}
}

// forgetAhead ends the reminders of alarms that the process before told and no source
// has: nothing would ever end them. Whoever raised them raises them anew if they still hold. What
// this process told, by its IDs, stays.
func (s *state) forgetAhead(own map[string]bool) {
	forget := func(o *openAlarm) bool { return o.Ahead && !own[o.Notice.ID] }
	s.Open = slices.DeleteFunc(s.Open, func(o openAlarm) bool { return o.Told == 0 && forget(&o) })
	for i := range s.Open {
		if forget(&s.Open[i]) {
			s.Open[i].answer()
			s.Open[i].Aside = true // nor is it told to stand any more
		}
	}
}
