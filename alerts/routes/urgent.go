package routes

import "context"

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
	w.urgent = append(w.urgent[:least], w.urgent[least+1:]...)
}

// nextUrgent returns the oldest of them, which stays until dropUrgent.
func (w *worker) nextUrgent() (Notice, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if len(w.urgent) == 0 {
		return Notice{}, false
	}
	return w.urgent[0], true
}

func (w *worker) dropUrgent(id string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for i := range w.urgent {
		if w.urgent[i].ID == id {
			w.urgent = append(w.urgent[:i], w.urgent[i+1:]...)
			return
		}
	}
}

// getAhead deals with a notice before the source has it. What quiet hours hold back is
// left to the source. It returns false if it has to be tried again.
func (w *worker) getAhead(delivery context.Context, n Notice) bool {
	if !w.holds(n) && !w.ahead[n.ID] {
		if !w.handle(delivery, n, n.At) {
			return false
		}
		if w.ahead == nil || len(w.ahead) >= mostAhead {
			w.ahead = map[string]bool{}
		}
		w.ahead[n.ID] = true
		w.unsaved = true
	}
	w.dropUrgent(n.ID)
	return true
}

// wasAhead tells whether a notice from the source was dealt with before, and forgets that.
func (w *worker) wasAhead(n Notice) bool {
	if !w.ahead[n.ID] {
		return false
	}
	delete(w.ahead, n.ID)
	w.dropUrgent(n.ID)
	return true
}
