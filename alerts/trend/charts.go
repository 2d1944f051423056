package trend

import "math"

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
