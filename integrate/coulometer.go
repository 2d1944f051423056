// Package integrate turns readings of a supply into charge and energy, says how
// sure they are, and books the time that nobody observed as ranges. It is pure
// arithmetic: no clock, no file, no goroutine, so that a run replayed from its log
// gives the same bits as the run itself gave live. All quantities are in SI units.
package integrate

import (
	"errors"
	"fmt"
	"math"
	"time"
)

// maxMagnitude bounds volts and amperes: beyond it no number is a reading, and
// within it no sum of a run can overflow.
const maxMagnitude = 1e9

// The reasons for which Add refuses a sample. Add never wraps them, so that
// refusing costs nothing.
var (
	errNotANumber = errors.New("integrate: the sample holds a value that is not a finite, physical number; it is not counted")
	errTimeOrder  = errors.New("integrate: the sample's time is not later than the one before; it is not counted")
)

// Sample is one reading of a supply: the midpoint of the current query on a
// monotonic clock, and what was reported, uncorrected.
type Sample struct {
	At      time.Duration
	Volts   float64
	Amperes float64
}

// Step is what one sample added.
type Step struct {
	Elapsed  time.Duration // since the sample before; 0 for the first
	Coulombs float64       // corrected; for a gap its best value
	Joules   float64
	IsGap    bool
	Gap      Gap // when IsGap
}

// Coulometer integrates the samples of one run. Use it from one goroutine.
type Coulometer struct {
	settings Settings
	state    State
	lastAt   time.Duration // on the clock of the samples; not part of the state
	gaps     GapSums       // over state.Folded and state.Gaps, kept because Totals is asked at every reading
	refused  int64
}

// NewCoulometer returns a coulometer that has seen nothing. The settings must be
// valid (see Settings.Validate).
func NewCoulometer(s Settings) *Coulometer {
	c := &Coulometer{settings: s}
	c.state.Zero = Zero{Amperes: s.ZeroAmperes, Uncertainty: s.ZeroUncertainty}
	c.state.Correction = Correction{Factor: s.CorrectionFactor, Uncertainty: s.CorrectionUncertainty}
	if c.state.Correction.Factor == 0 {
		c.state.Correction.Factor = 1
	}
	return c
}

// Add integrates from the sample before to s. The current is taken as straight
// between two samples (trapezoid), the power as the product of two straight lines. A
// step longer than Settings.GapAfter, or one that e marks as restarted,
// suspended, switched or with the line lost, is booked as a gap by e; otherwise e is not used. A refused sample
// (errNotANumber, errTimeOrder) changes nothing but the count of refusals.
func (c *Coulometer) Add(s Sample, e Evidence) (step Step, err error) {
	if !physical(s.Volts) || !physical(s.Amperes) {
		c.refused++
		return Step{}, errNotANumber
	}
	st := &c.state
	if st.Readings == 0 {
		c.remember(s)
		return Step{}, nil
	}
	if s.At <= c.lastAt {
		c.refused++
		return Step{}, errTimeOrder
	}
	step.Elapsed = s.At - c.lastAt
	h := seconds(step.Elapsed)
	v0, a0 := st.LastVolts, st.LastAmperes
	coulombs := h * (a0 + s.Amperes) / 2
	joules := h * productIntegral(v0, s.Volts, a0, s.Amperes)
	voltSeconds := h * (v0 + s.Volts) / 2
	zero, factor := st.Zero.Amperes, st.Correction.Factor
	step.Coulombs = factor * (coulombs - float64(zero*h))
	step.Joules = factor * (joules - float64(zero*voltSeconds))

	if e.Restarted || e.Suspended || e.Switched || e.LineLost || (c.settings.GapAfter > 0 && step.Elapsed > c.settings.GapAfter) {
		step.IsGap = true
		before, after := factor*(a0-zero), factor*(s.Amperes-zero)
		limit := e.LimitAmperes
		if !(limit > 0 && limit <= maxMagnitude) { // also NaN
			limit = factor * (st.MaxAmperes - zero)
		}
		limit = max(limit, before, after, 0)
		volts := max(math.Abs(v0), math.Abs(s.Volts))
		step.Gap = bookGap(e, st.Elapsed, step.Elapsed, before, after, limit, volts, step.Coulombs, step.Joules)
		step.Gap.Index = st.GapCount
		step.Coulombs, step.Joules = step.Gap.Best, step.Gap.BestJoules
		c.keepGap(step.Gap)
		st.breakOff()
		if !step.Gap.Measured {
			st.forgetNeighbours()
		}
	} else {
		st.Observed += step.Elapsed
		st.Charge.Add(coulombs)
		st.Energy.Add(joules)
		st.VoltSeconds.Add(voltSeconds)
		st.judgeSampling(step.Elapsed, s.Amperes, c.settings.EarlierDoubts)
		st.judgeResolution(h, s.Amperes)
	}
	st.Elapsed += step.Elapsed
	c.remember(s)
	return step, nil
}

// productIntegral returns the mean of v(t)·i(t) over a step in which both are straight lines:
// (2·v0·i0 + v0·i1 + v1·i0 + 2·v1·i1)/6. It is exact, where the trapezoid on v·i is not.
// The conversions keep a compiler from fusing a product into a sum, so that every
// kind of processor gives the same bits.
func productIntegral(v0, v1, i0, i1 float64) float64 {
	return (float64(v0*(2*i0+i1)) + float64(v1*(i0+2*i1))) / 6
}

// seconds converts exactly rounded: every step below 104 days is an exact integer in a float64.
func seconds(d time.Duration) float64 { return float64(d) / 1e9 }

func physical(x float64) bool { return math.Abs(x) <= maxMagnitude } // false for NaN

func (c *Coulometer) remember(s Sample) {
	st := &c.state
	if st.Readings == 0 || s.Amperes > st.MaxAmperes {
		st.MaxAmperes = s.Amperes
	}
	st.Readings++
	st.LastVolts, st.LastAmperes = s.Volts, s.Amperes
	c.lastAt = s.At
	if !c.settings.EarlierDoubts {
		st.judgeRipple(s.Amperes)
	}
}

// Last returns the newest sample counted, and false when there is none. After
// Restore its time counts from the first reading of the run; samples that follow
// must be stamped on the same scale.
func (c *Coulometer) Last() (Sample, bool) {
	st := &c.state
	return Sample{At: c.lastAt, Volts: st.LastVolts, Amperes: st.LastAmperes}, st.Readings > 0
}

// Settings returns what the coulometer was made with.
func (c *Coulometer) Settings() Settings { return c.settings }

// Zero is what the supply reports when no current flows.
type Zero struct {
	Amperes     float64
	Uncertainty float64 // standard, A; 0: not measured, the maker's offset applies
}

// SetZero replaces the zero. The readings are kept raw, so it holds for the whole
// run, including what was counted before; gaps already booked stay as they are.
func (c *Coulometer) SetZero(z Zero) error {
	if !physical(z.Amperes) || !physical(z.Uncertainty) || z.Uncertainty < 0 {
		return fmt.Errorf("integrate: a zero of %v A with a standard uncertainty of %v A cannot be used; both must be finite, and the uncertainty not below zero",
			z.Amperes, z.Uncertainty)
	}
	c.state.Zero = z
	return nil
}

// Correction is true current over reported current.
type Correction struct {
	Factor      float64
	Uncertainty float64 // standard; 0: not measured, the maker's gain applies
}

// SetCorrection replaces the correction. Like SetZero it holds for the whole run.
func (c *Coulometer) SetCorrection(k Correction) error {
	if !physical(k.Factor) || !physical(k.Uncertainty) || k.Factor <= 0 || k.Uncertainty < 0 {
		return fmt.Errorf("integrate: a correction factor of %v with a standard uncertainty of %v cannot be used; true over reported current is above zero, its uncertainty not below",
			k.Factor, k.Uncertainty)
	}
	c.state.Correction = k
	return nil
}
