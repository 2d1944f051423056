package trend

import "math"

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
