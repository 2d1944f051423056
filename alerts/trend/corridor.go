package trend

import "math"

// Learned is how many blocks the centre and the spread of a Corridor are learned from.
const Learned = 30

// CorridorSettings are the few figures that a Corridor needs. The unit of y is the caller's.
type CorridorSettings struct {
	Skip         float64 // s after the beginning that are ignored: the ramp
	Longest      float64 // s after which learning ends whatever the slope
	SettledSlope float64 // learning ends when the slope is inside ± this, y per hour
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
