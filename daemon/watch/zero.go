package watch

import (
	"math"

	"nightcell/daemon/run"
	"nightcell/drivers"
	"nightcell/integrate"
)

// zeroReadings is how many readings with the output off make a zero.
const zeroReadings = 10

// zeroTaker averages what the supply reports while its output is off, before a run
// begins. It keeps a running mean and variance (Welford), so that a long wait costs no memory.
type zeroTaker struct {
	n        float64
	mean, m2 float64
}

// take adds one reading. A live or unknown output makes all readings so far worthless.
func (z *zeroTaker) take(r drivers.Reading) {
	if r.Output != drivers.OutputOff {
		*z = zeroTaker{}
		return
	}
	z.n++
	d := float64(r.Amperes) - z.mean
	z.mean += d / z.n
	z.m2 += d * (float64(r.Amperes) - z.mean)
}

// zero returns the offset and its standard uncertainty: that of the mean, and of
// the last digit, which no averaging of equal readings shrinks (rectangular, JCGM 100, 4.3.7).
// It is of no readings before there are enough.
func (z *zeroTaker) zero(resolution float64) run.Zero {
	if z.n < zeroReadings {
		return run.Zero{}
	}
	u := math.Hypot(math.Sqrt(z.m2/(z.n-1)/z.n), resolution/math.Sqrt(12))
	return run.Zero{Zero: integrate.Zero{Amperes: z.mean, Uncertainty: u}, Readings: int(z.n)}
}
