package integrate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"
)

// State is everything a coulometer remembers. A coulometer restored from it goes
// on bit for bit as the first would have.
type State struct {
	Accumulated
	Gaps []Gap // the widest, oldest first
}

// Accumulated is the part of a State that has a fixed size. Its sums are of raw
// readings of the supply; zero and correction are applied by Totals. What a second meter has measured is in Meter instead.
type Accumulated struct {
	Readings    int64
	Elapsed     time.Duration // from the first reading to the last
	Observed    time.Duration // of it, without gaps
	LastVolts   float64
	LastAmperes float64
	MaxAmperes  float64

	Charge      Sum // C
	Energy      Sum // J
	VoltSeconds Sum // V·s

	Sampling   Sampling
	Resolution Resolution
	Ripple     [lags]Stray
	Meter      Meter

	Zero       Zero
	Correction Correction

	GapCount int
	Folded   GapSums // over the gaps that are not in State.Gaps
}

// Equal reports whether two states are the same, bit for bit save for the sign of a zero.
// Between which meter's readings a gap lies is passed over, because earlier logs do not say it.
func (s State) Equal(o State) bool {
	s.Folded.MeterBest, s.Folded.MeterSeconds = o.Folded.MeterBest, o.Folded.MeterSeconds
	return s.Accumulated == o.Accumulated && slices.EqualFunc(s.Gaps, o.Gaps, func(g, h Gap) bool {
		g.Metered = h.Metered
		return g == h
	})
}

// State returns a copy of all that c remembers.
func (c *Coulometer) State() State {
	s := c.state
	s.Gaps = slices.Clone(s.Gaps)
	return s
}

// Restore returns a coulometer that goes on from s. Its last sample stands at the
// time State.Elapsed, and the samples to come must be stamped on that scale. The
// error names what no coulometer could have left behind.
func Restore(settings Settings, s State) (*Coulometer, error) {
	if err := s.check(); err != nil {
		return nil, fmt.Errorf("integrate: the stored state cannot be continued: %w; replay the run from its readings instead", err)
	}
	c := &Coulometer{settings: settings, state: s, lastAt: s.Elapsed}
	c.state.Gaps = slices.Clone(s.Gaps)
	c.sumGaps()
	return c, nil
}

func (s *State) check() error {
	for _, x := range []float64{
		s.Charge.Value(), s.Energy.Value(), s.VoltSeconds.Value(),
		s.Sampling.Curvature.Value(), s.Sampling.Scatter, s.Sampling.Amperes,
		s.Resolution.Held, s.Resolution.Squares,
		s.Meter.Charge.Value(), s.Meter.Energy.Value(), s.Meter.VoltSeconds.Value(), s.Meter.Resolution.Held, s.Meter.Resolution.Squares,
		s.Meter.Blind, s.Meter.Leads.Power, s.Meter.Leads.Squares,
		s.Folded.Best, s.Folded.Low, s.Folded.High, s.Folded.Variance,
		s.Folded.BestJoules, s.Folded.LowJoules, s.Folded.HighJoules, s.Folded.VarianceJoules,
		s.Folded.MeasuredBest, s.Folded.MeasuredJoules, s.Folded.MeasuredVoltSeconds, s.Folded.MeasuredSeconds, s.Folded.Seconds,
		s.Folded.MeterBest, s.Folded.MeterSeconds,
	} {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return errors.New("it holds a sum that is not a number")
		}
	}
	for _, x := range []float64{s.LastVolts, s.LastAmperes, s.MaxAmperes, s.Zero.Amperes, s.Zero.Uncertainty, s.Correction.Factor, s.Correction.Uncertainty} {
		if !physical(x) {
			return errors.New("it holds a value that is not a finite, physical number")
		}
	}
	for i, r := range s.Ripple {
		if !physical(r.Before) || !physical(r.Then) || !(r.Sum >= 0) || math.IsInf(r.Sum, 0) || !(s.Folded.Ripple[i] >= 0) || math.IsInf(s.Folded.Ripple[i], 0) ||
			r.Seen < 0 || r.Seen > 2 || r.Count < 0 || r.Next > s.Elapsed || r.First < 0 || r.First > r.Next || r.Seen == 2 && r.First == r.Next {
			return fmt.Errorf("a ripple of %+v over gaps of %v s", r, s.Folded.Ripple[i])
		}
	}
	switch {
	case s.Readings < 0 || s.Elapsed < 0 || s.Observed < 0 || s.Observed > s.Elapsed:
		return fmt.Errorf("%d readings, %v observed of %v", s.Readings, s.Observed, s.Elapsed)
	case s.Meter.Observed < 0 || s.Meter.Observed > s.Observed || s.Meter.Leads.Readings < 0:
		return fmt.Errorf("%v observed by a meter, of %v", s.Meter.Observed, s.Observed)
	case s.Correction.Factor <= 0:
		return fmt.Errorf("correction factor %v", s.Correction.Factor)
	case len(s.Gaps) > settleable || len(s.Gaps) > s.GapCount:
		return fmt.Errorf("%d gaps kept of %d", len(s.Gaps), s.GapCount)
	}
	last := -1
	for _, g := range s.Gaps {
		if g.Index <= last || g.Index >= s.GapCount || !(g.Low <= g.Best && g.Best <= g.High) {
			return fmt.Errorf("gap %d, %v to %v C, best %v C", g.Index, g.Low, g.High, g.Best)
		}
		last = g.Index
	}
	return nil
}
