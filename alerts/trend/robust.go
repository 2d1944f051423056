package trend

import (
	"math"
	"slices"
)

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
