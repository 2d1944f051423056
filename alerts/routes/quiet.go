package routes

import "time"

// Quiet are hours of every day in which only urgent notices go out. The zero value has none.
type Quiet struct {
	// From and To are times of day since midnight by the wall clock of Location; From after To spans midnight.
	From, To time.Duration
	Location *time.Location // nil: UTC
	// Always is the lowest priority that goes out at any hour; the zero value means High.
	Always Priority
}

// threshold is the lowest priority that never waits.
func (q Quiet) threshold() Priority {
	if q.Always == Low {
		return High
	}
	return q.Always
}

// at reports whether the quiet hours hold at time t.
func (q Quiet) at(t time.Time) bool {
	if q.From == q.To {
		return false
	}
	if q.Location == nil {
		q.Location = time.UTC
	}
	h, m, s := t.In(q.Location).Clock()
	day := time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second
	if q.From < q.To {
		return day >= q.From && day < q.To
	}
	return day >= q.From || day < q.To
}
