package trend

import "math"

// Excursions follows the level of a signal and counts its sudden, short departures:
// dips that come back as suddenly, such as a whisker that burns off; spikes that do, such as a contact that
// flickers; and pops, sudden falls that grow back slowly, such as gas that escapes from under a cover.
type Excursions struct {
	Known   bool
	Level   float64    // of the undisturbed signal
	Began   float64    // s, when the following began
	LastAt  float64    // s
	Before  [2]float64 // the two values before
	Near    float64    // s, when a value was last near the level
	Side    int        // -1 in a dip, +1 in a spike, 0 at the level
	Since   float64    // s, when Side became what it is
	Deepest float64    // largest departure of the present or last excursion, signed
	Least   float64    // smallest departure of the present or last excursion, signed
	Dips    Recent
	Spikes  Recent
	Pops    Recent
}

// Recent holds the times in seconds at which something happened lately.
type Recent struct {
	Times [8]float64
	Count int
}

func (r *Recent) add(t float64) {
	r.Times[r.Count%len(r.Times)] = t
	r.Count++
}

// Within returns how many of the newest eight lie in the last s seconds before t.
func (r *Recent) Within(t, s float64) (n int) {
	for i := range min(r.Count, len(r.Times)) {
		if t-r.Times[i] <= s {
			n++
		}
	}
	return n
}

const (
	levelTime   = 120.0 // s, how quickly the level follows the undisturbed signal
	levelShare  = 0.002 // of the level: the pull of one value is cut off at this, or at 3σ
	excursion   = 0.01  // of the level: less than this, or less than 6σ, is no excursion
	longest     = 600.0 // s: what lasts longer is a new level, not an excursion
	firstMinute = 60.0  // s, in which the level is found
)

// Add takes the value y at time t in seconds in; sigma is the noise of single values.
// An excursion is counted when it comes back.
func (e *Excursions) Add(t, y, sigma float64) {
	if !e.Known {
		*e = Excursions{Known: true, Level: y, Began: t, LastAt: t, Since: t, Near: t, Before: [2]float64{y, y}}
		return
	}
	pull := 1 - math.Exp(-(t-e.LastAt)/levelTime)
	before := e.Before
	e.LastAt, e.Before = t, [2]float64{y, before[0]}
	if t-e.Began < firstMinute {
		e.Level += 0.3 * (y - e.Level)
		e.Near = t
		return
	}
	far := max(6*sigma, excursion*math.Abs(e.Level))
	e.judge(t, y, before, far)
	d := y - e.Level
	if math.Abs(d) < far {
		e.Near = t
	}
	switch {
	case e.Side != 0 && t-e.Since > longest, e.Side == 0 && t-e.Near > firstMinute:
		e.Level, e.Side, e.Since, e.Near = y, 0, t, t // a new level, or one that moved away
	case e.Side == 0:
		cut := max(3*sigma, levelShare*math.Abs(e.Level))
		e.Level += pull * max(-cut, min(cut, d))
	}
}

// judge decides whether an excursion begins or ends with the value y. It begins when
// one of the two values before was still near the level, and ends suddenly when one of them was still far.
func (e *Excursions) judge(t, y float64, before [2]float64, far float64) {
	d := y - e.Level
	near := min(math.Abs(before[0]-e.Level), math.Abs(before[1]-e.Level))
	reach := max(math.Abs(y-before[0]), math.Abs(y-before[1]))
	switch {
	case e.Side == 0 && before[0]-e.Level > far/4 && y-before[0] < -2*far: // it had grown away from the level
		e.Pops.add(t)
		e.Level, e.Near = y, t
	case e.Side == 0 && math.Abs(d) > far && near < far/4:
		e.Side, e.Since, e.Deepest, e.Least = int(math.Copysign(1, d)), t, d, d
	case e.Side != 0 && d*float64(e.Side) < far/2:
		switch sudden := reach > 0.6*far; {
		case e.Side > 0 && sudden:
			e.Spikes.add(t)
		case e.Side < 0 && sudden:
			e.Dips.add(t)
		case e.Side < 0:
			e.Pops.add(t)
		}
		e.Side, e.Since, e.Near = 0, t, t
	case e.Side < 0:
		e.Deepest, e.Least = math.Min(e.Deepest, d), math.Max(e.Least, d)
	case e.Side > 0:
		e.Deepest, e.Least = math.Max(e.Deepest, d), math.Min(e.Least, d)
	}
}
