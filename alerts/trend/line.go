package trend

import "math"

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
