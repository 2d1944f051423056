package integrate

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"
)

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
	Metered  bool // the second meter counted on both sides
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
	// Of these, what lies between readings of the second meter.
	MeterBest, MeterSeconds float64
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
		if g.Metered {
			s.MeterBest += g.Best
			s.MeterSeconds += length
		}
	}
}

// settleable is how many gaps are kept one by one. A run with more folds the
// narrowest range into a sum, so that the state stays small; the gaps
// that matter to the books are the wide ones.
const settleable = 64

// Gaps returns the gaps that can still be settled, oldest first.
func (c *Coulometer) Gaps() []Gap { return slices.Clone(c.state.Gaps) }

// Settle replaces the range of a gap by what an operator knows, in coulombs.
// low = best = high says that the charge is known. It can be called again for the same gap.
func (c *Coulometer) Settle(index int, low, best, high float64) error {
	if !physicalCharge(low) || !physicalCharge(best) || !physicalCharge(high) || low > best || best > high {
		return fmt.Errorf("integrate: gap %d cannot be settled as %v C to %v C, best %v C; three finite charges in the order low, best, high are needed",
			index, low, high, best)
	}
	at, found := slices.BinarySearchFunc(c.state.Gaps, index, func(g Gap, i int) int { return cmp.Compare(g.Index, i) })
	if !found {
		if index >= 0 && index < c.state.GapCount {
			return fmt.Errorf("integrate: gap %d can no longer be settled: the run has %d gaps, and only the %d widest are kept apart",
				index, c.state.GapCount, settleable)
		}
		return fmt.Errorf("integrate: there is no gap %d; the run has %d, counted from 0", index, c.state.GapCount)
	}
	g := &c.state.Gaps[at]
	g.Low, g.Best, g.High = low, best, high
	g.LowJoules, g.BestJoules, g.HighJoules = low*g.Volts, best*g.Volts, high*g.Volts
	g.Settled = true
	c.sumGaps()
	return nil
}

// physicalCharge bounds charges loosely: maxMagnitude amperes for thirty years.
func physicalCharge(q float64) bool { return q >= -1e18 && q <= 1e18 }

func (c *Coulometer) keepGap(g Gap) {
	st := &c.state
	st.GapCount++
	if len(st.Gaps) == settleable {
		narrowest := 0
		for i, other := range st.Gaps {
			if other.High-other.Low < st.Gaps[narrowest].High-st.Gaps[narrowest].Low {
				narrowest = i
			}
		}
		st.Folded.add(st.Gaps[narrowest])
		st.Gaps = slices.Delete(st.Gaps, narrowest, narrowest+1)
	}
	if st.Gaps == nil {
		st.Gaps = make([]Gap, 0, settleable)
	}
	st.Gaps = append(st.Gaps, g)
	c.sumGaps()
}

// sumGaps sums anew, in a fixed order, so that the result does not depend on how the state was reached.
func (c *Coulometer) sumGaps() {
	c.gaps = c.state.Folded
	for _, g := range c.state.Gaps {
		c.gaps.add(g)
	}
}

// A trapezoid across a gap knows the current at two moments alone. What it can
// miss is learned from readings: three of them, about one lag apart, tell how far a
// current strays from the straight line between its neighbours. Lags of several
// sizes tell it for short gaps and for long ones, so that a current that
// swings slowly makes a short gap no worse, and a steady drift makes none worse.

// lags is how many lags are followed. The shortest is firstLag, each next one is
// lagGrowth times as long; the longest is 34 minutes.
const (
	lags      = 7
	firstLag  = 500 * time.Millisecond
	lagGrowth = 4
)

// Stray is how far the current strayed from straight lines about one lag long.
type Stray struct {
	// The two readings before, in time since the first reading of the run. Seen says
	// how many of them there are.
	Seen         int64
	First, Next  time.Duration
	Before, Then float64 // A

	Sum   float64 // A, Σ of the distances from the line
	Count int64   // how many
}

// add takes a reading. Readings closer than the lag are passed over, so that a
// quick poll and a slow one learn the same. A step of more than lagGrowth lags begins anew,
// because it belongs to a longer lag.
func (s *Stray) add(lag, at time.Duration, amperes float64) {
	if s.Seen > 0 {
		step := at - s.Next
		if step < lag {
			return
		}
		if step > lagGrowth*lag {
			s.Seen = 0
		}
	}
	if s.Seen == 2 {
		share := float64(s.Next-s.First) / float64(at-s.First)
		line := s.Before + float64(share*(amperes-s.Before))
		s.Sum += math.Abs(s.Then - line)
		s.Count++
	}
	s.First, s.Before = s.Next, s.Then
	s.Next, s.Then = at, amperes
	s.Seen = min(s.Seen+1, 2)
}

// judgeRipple takes a reading at st.Elapsed.
func (st *Accumulated) judgeRipple(amperes float64) {
	lag := firstLag
	for i := range st.Ripple {
		st.Ripple[i].add(lag, st.Elapsed, amperes)
		lag *= lagGrowth
	}
}

// forgetNeighbours begins anew after time in which anything can have happened: a
// current that somebody changed is no ripple.
func (st *Accumulated) forgetNeighbours() {
	for i := range st.Ripple {
		st.Ripple[i].Seen = 0
	}
}

// rippleSeconds says for how long gaps leave to a trapezoid what each lag tells of, in s.
type rippleSeconds [lags]float64

// add shares a gap out between the two lags whose triples span just less and
// just more than it.
func (r *rippleSeconds) add(length time.Duration) {
	span, h := 2*firstLag, seconds(length)
	for i := range r {
		if length <= span || i == lags-1 {
			if i == 0 || length > span {
				r[i] += h
				return
			}
			below := span / lagGrowth
			share := float64(length-below) / float64(span-below)
			r[i-1] += float64((1 - share) * h)
			r[i] += float64(share * h)
			return
		}
		span *= lagGrowth
	}
}

// rippleUncertainty returns the standard uncertainty that the ripple gives to the
// charge of all gaps, in C as reported.
//
// The mean distance d of a reading from the line between its neighbours becomes
// that of a trapezoid's mean current: where a current varies quicker than the lag, with the
// standard deviation s, d is s·√(3/2)·√(2/π), and the mean of two ends is off by s/√2;
// hence d·√(π/6).
//
// The gaps are added before they are squared: whatever interrupts the watch may keep
// step with the ripple, by chance or because one causes the other, and then
// every gap errs to the same side (JCGM 100, 5.2.2, note 1). A lag of which too
// little was seen borrows from its neighbour, and no lag counts as calmer than a shorter one.
func (c *Coulometer) rippleUncertainty() float64 {
	var charge, distance float64
	known := false
	for i := range c.state.Ripple {
		if s := &c.state.Ripple[i]; s.Count > 0 {
			mean := s.Sum / float64(s.Count)
			if !known { // also for the lags before
				for _, seconds := range c.gaps.Ripple[:i] {
					charge += float64(seconds * mean)
				}
			}
			known, distance = true, max(distance, mean)
		}
		charge += float64(c.gaps.Ripple[i] * distance)
	}
	return math.Sqrt(math.Pi/6) * charge
}
