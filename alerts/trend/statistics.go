// Package trend holds the statistics by which a cell is watched: the control
// charts (EWMA and tabular CUSUM), straight-line slopes with their standard
// uncertainty, robust level and spread, noise from successive differences, the
// history of one-minute blocks, and the corridor that is learned for a cell after its warm-up.
//
// Nothing here has a clock, a goroutine or an allocation of its own while it
// runs, save the list of blocks. Every type is a plain value, a History by Clone: copying it copies all it knows, so that a
// restart continues exactly where the copy was taken. The zero value of each is
// ready to use unless its comment says otherwise. Inputs must be finite; the callers see to that.
package trend

import (
	"math"
	"slices"
)

// EWMA is the exponentially weighted moving average z_i = λ·x_i + (1−λ)·z_{i−1}
// of a control chart (NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4).
type EWMA struct {
	Lambda float64 // weight of the newest value, in (0, 1]
	Value  float64 // z_i; begins at the target
}

// Add takes one value in and returns the new average.
func (e *EWMA) Add(x float64) float64 {
	e.Value += e.Lambda * (x - e.Value)
	return e.Value
}

// HalfWidth returns the asymptotic control limit L·σ·√(λ/(2−λ)) on either side of
// the target, in the unit of sigma, for independent values of standard deviation sigma.
func (e *EWMA) HalfWidth(sigma, l float64) float64 {
	return l * sigma * math.Sqrt(e.Lambda/(2-e.Lambda))
}

// CUSUM is the two-sided tabular cumulative sum (Montgomery, Introduction to
// Statistical Quality Control, chapter 9):
//
//	C⁺ = max(0, C⁺ + x − (μ₀ + K)),  C⁻ = max(0, C⁻ + (μ₀ − K) − x)
//
// All fields are in the unit of x. A head start (Lucas and Crosier, 1982) is made
// by setting High and Low before the first value.
type CUSUM struct {
	Target    float64 // μ₀
	Reference float64 // K, half the shift to be found quickly
	Decision  float64 // H, the sum that signals
	High, Low float64 // C⁺ and C⁻
	// HighRun and LowRun count the values since C⁺ or C⁻ was last zero; the shift is
	// placed just after that value.
	HighRun, LowRun int
}

// Add takes one value in and returns +1 when the upper sum exceeds the decision
// interval, -1 when the lower one does, else 0. The sums run on after a signal.
func (c *CUSUM) Add(x float64) int {
	c.High, c.HighRun = accumulate(c.High, x-c.Target-c.Reference, c.HighRun)
	c.Low, c.LowRun = accumulate(c.Low, c.Target-c.Reference-x, c.LowRun)
	switch {
	case c.High > c.Decision:
		return 1
	case c.Low > c.Decision:
		return -1
	}
	return 0
}

func accumulate(sum, step float64, run int) (float64, int) {
	sum += step
	if sum <= 0 {
		return 0, 0
	}
	return sum, run + 1
}

// Line accumulates the ordinary least-squares line y = Intercept + Slope·x over
// the pairs it was given. It keeps centred sums, so a large common offset of x or y
// costs no digits (the StRD sets NumAcc and Norris are its tests).
type Line struct {
	N             int
	MeanX, MeanY  float64
	sxx, sxy, syy float64
}

// Add takes one pair in.
func (l *Line) Add(x, y float64) {
	l.N++
	n := float64(l.N)
	dx, dy := x-l.MeanX, y-l.MeanY
	l.MeanX += dx / n
	l.MeanY += dy / n
	// The second factor uses the new mean: Welford's update, and its twin for the product.
	l.sxx += dx * (x - l.MeanX)
	l.sxy += dx * (y - l.MeanY)
	l.syy += dy * (y - l.MeanY)
}

// Slope returns the slope in units of y per unit of x; NaN with fewer than two different x.
func (l *Line) Slope() float64 { return l.sxy / l.sxx }

// Residual returns the residual standard deviation with N−2 degrees of freedom,
// in units of y; NaN with fewer than three pairs.
func (l *Line) Residual() float64 {
	if l.N < 3 {
		return math.NaN()
	}
	ss := l.syy - l.sxy*l.sxy/l.sxx
	return math.Sqrt(math.Max(ss, 0) / float64(l.N-2))
}

// SlopeUncertainty returns the standard uncertainty of the slope, s/√Σ(x−x̄)². It
// holds for independent residuals; the readings of a cell are correlated in time, so
// it is a lower bound there.
func (l *Line) SlopeUncertainty() float64 { return l.Residual() / math.Sqrt(l.sxx) }

// Deviation returns the sample standard deviation of y alone (N−1 degrees of freedom).
func (l *Line) Deviation() float64 { return math.Sqrt(l.syy / float64(l.N-1)) }

// Noise estimates the standard deviation of the fast part of a signal from the mean
// absolute successive difference: σ = (√π/2)·mean|x_i − x_{i−1}| for independent normal
// values. A slow drift hardly enters (von Neumann's reasoning for the mean square successive
// difference, 1941), and one spike enters twice, linearly, not as a square.
type Noise struct {
	Sum   float64 // of the absolute differences
	Count int     // of the differences
	Last  float64 // the newest value, when Known
	Known bool
}

// Add takes one value in.
func (d *Noise) Add(x float64) {
	if d.Known {
		d.Sum += math.Abs(x - d.Last)
		d.Count++
	}
	d.Last, d.Known = x, true
}

// Sigma returns the estimate in the unit of the values; zero before two values.
func (d *Noise) Sigma() float64 {
	if d.Count == 0 {
		return 0
	}
	return math.Sqrt(math.Pi) / 2 * d.Sum / float64(d.Count)
}

// Next begins a new estimate that goes on from the last value.
func (d *Noise) Next() { d.Sum, d.Count = 0, 0 }

// Break forgets the last value, so that the step to the next one is not noise.
func (d *Noise) Break() { d.Known = false }

// MADToSigma makes the median absolute deviation of a normal distribution its
// standard deviation: 1/Φ⁻¹(3/4).
const MADToSigma = 1.482602218505602

// Median returns the median of values, which it reorders; NaN when there are none.
func Median(values []float64) float64 {
	n := len(values)
	if n == 0 {
		return math.NaN()
	}
	slices.Sort(values)
	if n%2 == 1 {
		return values[n/2]
	}
	return values[n/2-1]/2 + values[n/2]/2
}

// Robust returns the median of values and a standard deviation estimated from the
// median absolute deviation, both in the unit of the values, which it overwrites. Half of the
// values may be wild without moving either far. NaN when there are none.
func Robust(values []float64) (median, sigma float64) {
	median = Median(values)
	for i, v := range values {
		values[i] = math.Abs(v - median)
	}
	return median, MADToSigma * Median(values)
}
