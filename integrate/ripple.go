package integrate

import (
	"math"
	"time"
)

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
