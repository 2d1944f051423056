package integrate

import "time"

// hiddenInterruption is the chance granted to an untouched-looking supply that it
// was interrupted in the dark all the same. One in twenty is a choice, not a
// measurement: it is the share of cases that a statement at k = 2 leaves out anyway.
const hiddenInterruption = 0.05

// Evidence is what the supply tells, before and after, about time that nobody
// observed. It decides how a gap is booked.
type Evidence struct {
	OnBefore           bool // the output was on at the last reading before
	OnAfter            bool // the output is on at the first reading after
	SameInstrument     bool // the same identity answers
	SetPointsUnchanged bool // set-points and protection are as they were left
	// LimitAmperes is the most current the supply could have pushed: its set-point,
	// or its range. Zero or NaN: unknown, and the largest current of the run is taken.
	LimitAmperes float64
	// Restarted and Suspended make the step a gap however short it is, because its
	// length does not come from the clock that stamps the readings.
	Restarted bool
	Suspended bool // the machine slept
	// Switched makes it a gap too: answers were missing while the current went from one level to another.
	Switched bool
	// LineLost likewise: the supply was out of reach, and may have been without power meanwhile.
	LineLost bool
}

// untouched reports that nothing was found changed: what flowed at both ends may
// be believed to have flowed between them.
func (e Evidence) untouched() bool {
	return e.OnBefore == e.OnAfter && e.SameInstrument && e.SetPointsUnchanged
}

// Gap is time that was not observed, booked as a range and a best value.
type Gap struct {
	Index int // 0 for the run's first
	// From and To are times since the first reading of the run.
	From, To time.Duration

	Best, Low, High                   float64 // C
	BestJoules, LowJoules, HighJoules float64 // J

	// AmperesBefore and AmperesAfter are the corrected currents on either side, and
	// Volts the larger voltage of the two: an operator's charge becomes energy by it.
	AmperesBefore, AmperesAfter, Volts float64

	Measured bool // Best is the trapezoid between the readings on either side
	LineLost bool // the supply was out of reach
	Settled  bool // an operator has said what happened
}

// Length returns how long nobody watched.
func (g Gap) Length() time.Duration { return g.To - g.From }

// variance returns the square of the standard uncertainty of Best, in C².
//
// When the operator has settled it, or the whole range is possible (also because the supply was out of reach, and may have lost its power with the line), the charge is
// taken as rectangular between Low and High, and the square is about Best, which
// need not be the middle. When the evidence says untouched, the current is taken
// to have lain between those at the two ends (rectangular, JCGM 100, 4.3.7), save for
// the small chance that it was interrupted, which gets the whole range. What the
// readings show to vary quicker than that is added for all gaps at once (rippleUncertainty).
func (g Gap) variance() float64 {
	whole := meanSquare(g.Low, g.Best, g.High)
	if !g.Measured || g.Settled || g.LineLost {
		return whole
	}
	spread := (g.AmperesAfter - g.AmperesBefore) * seconds(g.Length())
	return float64(hiddenInterruption*whole) + float64((1-hiddenInterruption)*spread*spread/12)
}

// meanSquare returns the mean square distance from best of a rectangular
// distribution between low and high; for best in the middle it is (high-low)²/12.
func meanSquare(low, best, high float64) float64 {
	width := high - low
	if width <= 0 {
		return 0
	}
	a, b := (best-low)/width, (high-best)/width
	return width * width * (float64(a*a*a) + float64(b*b*b)) / 3
}

// bookGap turns an unobserved step into a Gap. The step's trapezoid is given in
// coulombs and joules, corrected; limit is at least as large as both currents.
func bookGap(e Evidence, from, length time.Duration, before, after, limit, volts, coulombs, joules float64) Gap {
	g := Gap{
		From: from, To: from + length,
		Low: 0, High: float64(limit * seconds(length)),
		AmperesBefore: before, AmperesAfter: after, Volts: volts,
		Measured: e.untouched(), LineLost: e.LineLost,
	}
	if g.Measured {
		g.Best, g.BestJoules = coulombs, joules
		// Readings a little below zero, with the output off, widen the range.
		g.Low, g.High = min(g.Low, g.Best), max(g.High, g.Best)
	} else {
		g.Best = (g.Low + g.High) / 2
		g.BestJoules = g.Best * volts
	}
	g.LowJoules = min(g.Low*volts, g.BestJoules)
	g.HighJoules = max(g.High*volts, g.BestJoules)
	return g
}

// GapSums are totals over gaps.
type GapSums struct {
	Best, Low, High                   float64 // C
	BestJoules, LowJoules, HighJoules float64 // J
	Variance                          float64 // C²
	VarianceJoules                    float64 // J²
	Seconds                           float64
	// The Measured sums are over the gaps whose best value rests on readings and
	// therefore shares their gain and offset.
	MeasuredBest        float64 // C
	MeasuredJoules      float64
	MeasuredVoltSeconds float64
	MeasuredSeconds     float64
	Ripple              rippleSeconds // the same seconds, by lag
}

func (s *GapSums) add(g Gap) {
	length := seconds(g.Length())
	s.Best += g.Best
	s.Low += g.Low
	s.High += g.High
	s.BestJoules += g.BestJoules
	s.LowJoules += g.LowJoules
	s.HighJoules += g.HighJoules
	v := g.variance()
	s.Variance += v
	s.VarianceJoules += float64(v * g.Volts * g.Volts)
	s.Seconds += length
	if g.Measured && !g.Settled {
		s.MeasuredBest += g.Best
		s.MeasuredJoules += g.BestJoules
		s.MeasuredVoltSeconds += float64(length * g.Volts)
		s.MeasuredSeconds += length
		s.Ripple.add(g.Length())
	}
}
