// Package account does the books of a run: what the current really did, how sure that is, and what is missing to say more.
// A Run gathers what the files of a run tell, in their order; Run.Account works the rest out of it. Both are pure
// arithmetic without clock, file or goroutine, so that the same bytes give the same account. All quantities are SI.
package account

import (
	"cmp"
	"math"
	"slices"
	"time"

	"nightcell/integrate/bath"
)

const (
	mostPoints = 2048         // of a course; then they are joined by two and two
	firstWidth = int64(1e9)   // ns that the first points cover
	mostEvents = 512          // alarms, acts and gaps that are kept, the first; the rest is counted
	leastStep  = 0.01         // relative step of the current from which on it tells a resistance
	leastShare = 0.2          // of the largest current, below which the cell is no longer at work
	hardShort  = "hard-short" // the alarm under which charge wins nothing
)

// Run is what a run's log and its late entries tell. The zero Run has seen nothing.
type Run struct {
	Begin, End int64 // Unix ns of the first and the newest reading
	On, Off    float64
	Gaps       []Gap
	Entries    []Entry
	Alarms     []Alarm
	Acts       []Act
	More       int // gaps, alarms and acts that are not kept

	points                      []Point
	width                       int64
	coulombs                    float64 // by a plain trapezoid and the best values of the gaps: the shape of the course
	volts, amperes, mostAmperes float64
	off, dark                   bool
	steps                       Line
}

// Point is a stretch of the run that ends at Nanos.
type Point struct {
	Nanos                                      int64
	Coulombs                                   float64 // counted up to its end
	MinVolts, MaxVolts, MinAmperes, MaxAmperes float64
}

// Gap is time that nobody observed.
type Gap struct {
	Index           int64
	Kind            string
	From, To        int64 // Unix ns
	Low, Best, High float64
}

// Entry is what a person wrote into the run, or beside it when it had ended, and did not take back.
type Entry struct {
	bath.Entry
	At      int64 // Unix ns, when it was so
	Text    string
	Outcome bath.Outcome
}

// Alarm is one alarm from its rise to its end.
type Alarm struct {
	Condition, Priority, Text, By string
	From, To                      int64 // Unix ns; To is 0 if it stood to the end
}

// Act is what was done to the output.
type Act struct {
	At                    int64
	Action, Outcome, Text string
}

// Line is the least-squares slope of a straight line through the origin, summed up point by point.
type Line struct{ n, xx, xy, yy float64 }

// Add takes a point.
func (l *Line) Add(x, y float64) { l.n, l.xx, l.xy, l.yy = l.n+1, l.xx+x*x, l.xy+x*y, l.yy+y*y }

// Slope returns the slope and its standard uncertainty from the scatter; NaN with fewer than three points.
func (l *Line) Slope() (slope, u float64) {
	if l.n < 3 || !(l.xx > 0) {
		return math.NaN(), math.NaN()
	}
	slope = l.xy / l.xx
	return slope, math.Sqrt(math.Max(l.yy-slope*l.xy, 0) / (l.n - 1) / l.xx)
}

// Reading takes a reading; step is the time since the one before.
func (r *Run) Reading(nanos int64, step time.Duration, volts, amperes float64, off bool) {
	if r.Begin == 0 {
		r.Begin, r.width = nanos, firstWidth
	} else if !r.dark {
		seconds := step.Seconds()
		r.coulombs += (r.amperes + amperes) / 2 * seconds
		if r.off {
			r.Off += seconds
		} else {
			r.On += seconds
		}
		if d := amperes - r.amperes; math.Abs(d) > leastStep*r.mostAmperes && min(amperes, r.amperes) > leastShare*r.mostAmperes {
			r.steps.Add(d, volts-r.volts) // a change of the working current tells the resistance
		}
	}
	r.volts, r.amperes, r.off, r.dark = volts, amperes, off, false
	r.mostAmperes = math.Max(r.mostAmperes, amperes)
	r.End = max(r.End, nanos)
	for (r.End-r.Begin)/r.width >= mostPoints {
		r.width *= 2
		kept := r.points[:0]
		for _, p := range r.points {
			kept = r.join(kept, p)
		}
		r.points = kept
	}
	r.points = r.join(r.points, Point{r.End, r.coulombs, volts, volts, amperes, amperes})
}

// join puts a point behind others, or into the last of them where it falls into its stretch.
func (r *Run) join(points []Point, p Point) []Point {
	if n := len(points); n > 0 && (points[n-1].Nanos-r.Begin)/r.width == (p.Nanos-r.Begin)/r.width {
		q := points[n-1]
		points, p.MinVolts, p.MaxVolts = points[:n-1], min(q.MinVolts, p.MinVolts), max(q.MaxVolts, p.MaxVolts)
		p.MinAmperes, p.MaxAmperes = min(q.MinAmperes, p.MinAmperes), max(q.MaxAmperes, p.MaxAmperes)
	}
	return append(points, p)
}

// Gap takes a gap that ends with the next reading.
func (r *Run) Gap(g Gap) {
	r.dark = true
	r.coulombs += g.Best
	keep(r, &r.Gaps, g)
}

// keep keeps the first of what happened, and counts the rest.
func keep[T any](r *Run, all *[]T, one T) {
	if len(*all) == mostEvents {
		r.More++
		return
	}
	*all = append(*all, one)
}

// Settle takes what a person knows of a gap.
func (r *Run) Settle(index int64, low, best, high float64) {
	for i := range r.Gaps {
		g := &r.Gaps[i]
		if g.Index != index {
			continue
		}
		for j := range r.points {
			if r.points[j].Nanos >= g.To {
				r.points[j].Coulombs += best - g.Best
			}
		}
		r.coulombs += best - g.Best
		g.Low, g.Best, g.High = low, best, high
	}
}

// Alarm takes a change of an alarm's state (IEC 62682), at Unix ns.
func (r *Run) Alarm(at int64, condition, state, priority, text, by string) {
	i := slices.IndexFunc(r.Alarms, func(a Alarm) bool { return a.Condition == condition && a.To == 0 })
	switch active := state == "UNACK" || state == "ACKED"; {
	case active && i < 0:
		keep(r, &r.Alarms, Alarm{condition, priority, text, by, at, 0})
	case active && by != "":
		r.Alarms[i].By = by
	case !active && i >= 0:
		r.Alarms[i].To = at
		r.Alarms[i].By = cmp.Or(r.Alarms[i].By, by)
	}
}

// Act takes what was done to the output.
func (r *Run) Act(a Act) { keep(r, &r.Acts, a) }

// course is the run in points whose charge ends with total, in C, and begins with carried, which was counted before this log.
func (r *Run) course(carried, total float64) []Point {
	scale := 1.0
	if r.coulombs > 0 && total > carried {
		scale = (total - carried) / r.coulombs
	}
	points := []Point{{Nanos: r.Begin, Coulombs: carried}}
	if len(r.points) > 0 {
		first := r.points[0]
		points[0] = Point{r.Begin, carried, first.MinVolts, first.MaxVolts, first.MinAmperes, first.MaxAmperes}
	}
	for _, p := range r.points {
		p.Coulombs = carried + p.Coulombs*scale
		points = append(points, p)
	}
	return points
}

// chargeAt is the charge at a moment of a course.
func chargeAt(course []Point, at int64) float64 {
	i, _ := slices.BinarySearchFunc(course, at, func(p Point, at int64) int { return cmp.Compare(p.Nanos, at) })
	switch {
	case i == 0:
		return course[0].Coulombs
	case i == len(course):
		return course[i-1].Coulombs
	}
	a, b := course[i-1], course[i]
	return a.Coulombs + (b.Coulombs-a.Coulombs)*float64(at-a.Nanos)/float64(b.Nanos-a.Nanos)
}
