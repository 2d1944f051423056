package trend

import "math"

// Learned is how many blocks the centre and the spread of a Corridor are learned from.
const Learned = 30

// CorridorSettings are the few figures that a Corridor needs. The unit of y is the caller's.
type CorridorSettings struct {
	Skip         float64 // s after the beginning that are ignored: the ramp
	Longest      float64 // s after which learning ends whatever the slope
	SettledSlope float64 `toml:"settled_slope"` // learning ends when the slope is inside ± this, y per hour
	Follow       float64 // how fast the centre follows a remaining fall, y per hour
	HalfWidth    float64 // the departure that counts, y
}

// Corridor is the band in which a slowly moving signal of this very cell belongs. It
// is learned from the cell: after the beginning a fall is forgiven, because a cell that
// warms conducts better, and a rise is measured from the lowest level reached. Once the slope
// has died down the centre and the spread are taken robustly from the last blocks; from then on an EWMA
// shows where the signal is, and a CUSUM notices a smaller shift that stays.
type Corridor struct {
	Begun   bool
	BeganAt float64 // s
	Settled bool
	Centre  float64 // y; while learning: the lowest EWMA so far
	Sigma   float64 // spread of single blocks about their own slow drift, y; zero while learning
	Average EWMA
	Sum     CUSUM
	Signal  int // the CUSUM's last answer: -1, 0, +1
	LastAt  float64
	Window  [Learned]Point
	Count   int
}

// Point is one value at one time in seconds.
type Point struct{ T, Y float64 }

// averageWeight is the λ of the corridor's EWMA: with blocks of a minute it looks
// back about nine minutes. 0.2 is in the range 0.05 to 0.25 that Montgomery recommends (from memory).
const averageWeight = 0.2

// Restart forgets the corridor, so that it is learned anew.
func (c *Corridor) Restart() { *c = Corridor{} }

// Add takes the mean y of the block at time t in seconds in.
func (c *Corridor) Add(s *CorridorSettings, t, y float64) {
	if !c.Begun {
		c.Begun, c.BeganAt = true, t
	}
	if t-c.BeganAt < s.Skip {
		return
	}
	if c.Count == 0 {
		c.Average = EWMA{Lambda: averageWeight, Value: y}
		c.Centre, c.LastAt = y, t
	}
	hours := (t - c.LastAt) / 3600
	c.LastAt = t
	c.Window[c.Count%Learned] = Point{t, y}
	c.Count++
	z := c.Average.Add(y)
	if !c.Settled {
		c.Centre = math.Min(c.Centre, z)
		c.settle(s, t)
		return
	}
	if z < c.Centre {
		c.Centre -= math.Min(c.Centre-z, s.Follow*hours)
		c.Sum.Target = c.Centre
	}
	c.Signal = c.Sum.Add(y)
}

func (c *Corridor) settle(s *CorridorSettings, t float64) {
	if c.Count < Learned {
		return
	}
	var l Line
	for _, p := range c.Window {
		l.Add((p.T-t)/3600, p.Y)
	}
	slope, u := l.Slope(), l.SlopeUncertainty()
	steady := math.Abs(slope) <= s.SettledSlope && u <= s.SettledSlope
	if !steady && t-c.BeganAt < s.Longest {
		return
	}
	var levels [Learned]float64
	for i, p := range c.Window {
		levels[i] = p.Y - slope*(p.T-t)/3600 // spread about the drift, level at its present end
	}
	c.Centre, c.Sigma = Robust(levels[:])
	c.Average.Value = c.Centre
	c.Sum = CUSUM{Target: c.Centre, Reference: s.HalfWidth / 2, Decision: 10 * s.HalfWidth}
	c.Settled = true
}

// Shift moves the corridor and all it was learned from by d, because the signal is
// about to move by d for a known reason.
func (c *Corridor) Shift(d float64) {
	c.Centre += d
	c.Average.Value += d
	c.Sum.Target += d
	for i := range c.Window {
		c.Window[i].Y += d
	}
}

// Departure returns how far the EWMA is from the centre, in y. While learning only a
// rise counts.
func (c *Corridor) Departure() float64 {
	if c.Count == 0 {
		return 0
	}
	return c.Average.Value - c.Centre
}

// Width returns the half-width that a departure is held against: the given one, or the
// 3σ limit of the EWMA where the cell is noisier than that.
func (c *Corridor) Width(least float64) float64 {
	return max(least, c.Average.HalfWidth(c.Sigma, 3))
}

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
