package routes

import "time"

// thinnedBy is how many times as long each wait is than the one before once the cell is safe.
const thinnedBy = 4

// mostThinned bounds how often a wait is lengthened: from 15 min that is to 64 h.
const mostThinned = 4

// thinned reports whether a reminder that is due may wait, because the cell is known to be safe: each comes four times
// as late as the one before, and only the first of the most urgent alarms is told again. Whoever comes for it finds the others.
func (w *worker) thinned(o *openAlarm, now time.Time) bool {
	if o.Told == 0 || w.o.Safe == nil || !w.o.Safe(o.Notice.Cell) {
		return false
	}
	wait := w.way.Repeat
	for range min(o.Told, mostThinned) {
		wait *= thinnedBy
	}
	if now.Sub(o.From) < wait {
		return true
	}
	older := true
	for i := range w.state.Open {
		other := &w.state.Open[i]
		if other == o {
			older = false
			continue
		}
		first := other.Notice.Priority > o.Notice.Priority || other.Notice.Priority == o.Notice.Priority && older
		if first && other.Told > 0 && !other.Answered && other.Notice.Cell == o.Notice.Cell {
			return true
		}
	}
	return false
}
