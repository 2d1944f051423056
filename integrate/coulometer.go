// Package integrate turns readings of a supply into charge and energy, says how
// sure they are, and books the time that nobody observed as ranges. It is pure
// arithmetic: no clock, no file, no goroutine, so that a run replayed from its log
// gives the same bits as the run itself gave live. All quantities are in SI units.
package integrate

import (
	"cmp"
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
	// Metered says that Amperes are a second meter's, to which zero and correction of the supply do not apply.
	Metered bool
	// AtCell says that Volts were measured at the cell, while the supply showed SupplyVolts.
	AtCell      bool
	SupplyVolts float64
	// SupplySilent says that the meter measured alone. Volts not AtCell are then the last that are known.
	SupplySilent bool
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
}

// NewCoulometer returns a coulometer that has seen nothing. The settings must be
// valid (see Settings.Validate).
func NewCoulometer(s Settings) *Coulometer {
	c := &Coulometer{settings: s}
	c.state.Zero = Zero{Amperes: s.ZeroAmperes, Uncertainty: s.ZeroUncertainty}
	c.state.Correction = Correction{Factor: s.CorrectionFactor, Uncertainty: s.CorrectionUncertainty}
	c.state.Correction.Factor = cmp.Or(c.state.Correction.Factor, 1)
	return c
}

// Add integrates from the sample before to s. The current is taken as straight
// between two samples (trapezoid), the power as the product of two straight lines. A
// step longer than Settings.GapAfter, or one that e marks as restarted,
// suspended, switched or with the line lost, is booked as a gap by e; otherwise e is not used. A refused sample
// (errNotANumber, errTimeOrder) changes nothing.
func (c *Coulometer) Add(s Sample, e Evidence) (step Step, err error) {
	if !physical(s.Volts) || !physical(s.Amperes) || !physical(s.SupplyVolts) {
		return Step{}, errNotANumber
	}
	st := &c.state
	if st.Readings == 0 {
		c.remember(s)
		return Step{}, nil
	}
	if s.At <= c.lastAt {
		return Step{}, errTimeOrder
	}
	step.Elapsed = s.At - c.lastAt
	v0 := st.LastVolts
	supply, meter := st.split(step.Elapsed, s)
	zero, factor := st.Zero.Amperes, st.Correction.Factor
	step.Coulombs = float64(factor*(supply.coulombs-float64(zero*seconds(supply.length)))) + meter.coulombs
	step.Joules = float64(factor*(supply.joules-float64(zero*supply.voltSeconds))) + meter.joules

	if e.Restarted || e.Suspended || e.Switched || e.LineLost || (c.settings.GapAfter > 0 && step.Elapsed > c.settings.GapAfter) {
		step.IsGap = true
		before, after := st.corrected(st.LastAmperes, st.Meter.Last), st.corrected(s.Amperes, s.Metered)
		limit := e.LimitAmperes
		if !(limit > 0 && limit <= maxMagnitude) { // also NaN
			limit = factor * (st.MaxAmperes - zero)
		}
		limit = max(limit, before, after, 0)
		volts := max(math.Abs(v0), math.Abs(s.Volts))
		step.Gap = bookGap(e, st.Elapsed, step.Elapsed, before, after, limit, volts, step.Coulombs, step.Joules)
		step.Gap.Index, step.Gap.Metered = st.GapCount, st.Meter.Last && s.Metered
		step.Coulombs, step.Joules = step.Gap.Best, step.Gap.BestJoules
		c.keepGap(step.Gap)
		st.breakOff()
		if !step.Gap.Measured {
			st.forgetNeighbours()
		}
	} else {
		st.Observed += step.Elapsed
		st.Charge.Add(supply.coulombs)
		st.Energy.Add(supply.joules)
		st.VoltSeconds.Add(supply.voltSeconds)
		st.Meter.add(meter)
		if s.SupplySilent && !s.AtCell {
			st.Meter.Blind += math.Abs(meter.coulombs)
		}
		st.judge(step.Elapsed, s, c.settings.EarlierDoubts)
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
	if s.AtCell && !s.SupplySilent {
		st.Meter.Leads.add(s)
	}
	if s.Metered != st.Meter.Last {
		st.forgetNeighbours() // two meters never agree to the last digit, which is no ripple
	}
	st.LastVolts, st.LastAmperes, st.Meter.Last = s.Volts, s.Amperes, s.Metered
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
	return Sample{At: c.lastAt, Volts: st.LastVolts, Amperes: st.LastAmperes, Metered: st.Meter.Last}, st.Readings > 0
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

// Sum is a compensated sum (Neumaier, ZAMM 54 (1974) 39): after any number of
// additions its value is off by about one rounding of the result plus a second
// order term, not by one rounding per addition. The zero Sum is zero. Both parts must be
// stored for a sum to continue bit for bit.
type Sum struct {
	Total        float64 // the running sum as rounded
	Compensation float64 // what the roundings lost
}

// Add adds x, which must be finite.
func (s *Sum) Add(x float64) {
	x = float64(x) // x may be a product: keeps it from being fused into the sum
	t := s.Total + x
	if math.Abs(s.Total) >= math.Abs(x) {
		s.Compensation += (s.Total - t) + x
	} else {
		s.Compensation += (x - t) + s.Total
	}
	s.Total = t
}

// Value returns the sum.
func (s Sum) Value() float64 { return s.Total + s.Compensation }

// Sampling tells what the finite number of samples costs, by comparing the
// trapezoid over two steps h with the one over a single step 2h.
type Sampling struct {
	// A pair of steps is open when its first step has been seen. Pairs overlap, so that each reading is the middle of one and counts with
	// the length of both its steps; by EarlierDoubts they do not.
	Open    bool
	First   time.Duration // length of that step
	Amperes float64       // at its beginning
	Middle  float64       // A, at its end

	Curvature Sum     // C, Σ (trapezoid with h − trapezoid with 2h) over closed pairs
	Scatter   float64 // C², Σ of the squares of the same
}

// judgeSampling takes one observed step that ends at amperes.
func (st *Accumulated) judgeSampling(h time.Duration, amperes float64, apart bool) {
	p := &st.Sampling
	if !p.Open {
		p.Open, p.First, p.Amperes, p.Middle = true, h, st.LastAmperes, amperes
		return
	}
	d := (float64(seconds(p.First)*(p.Middle-amperes)) + float64(seconds(h)*(p.Middle-p.Amperes))) / 2
	if apart {
		p.Open = false
		p.Curvature.Add(d)
		p.Scatter += float64(d * d)
		return
	}
	p.Curvature.Add(d / 2) // every step is in two pairs
	p.Scatter += float64(d*d) / 2
	p.First, p.Amperes, p.Middle = h, p.Middle, amperes
}

// standardUncertainty returns what sampling adds to the charge, in C.
//
// A smooth current bends the trapezoid by an error that grows with h², so that the
// finer result is off by about a third of the difference (Richardson), always to the
// same side: the differences are added with their signs. A noisy current makes the
// differences a fresh draw each time. For equal steps h and standard deviation s, the
// difference of a pair has the variance 1.5·h²·s² and its charge 2·h²·s²,
// hence 4/3 of the sum of squares.
func (p *Sampling) standardUncertainty() float64 {
	bend := p.Curvature.Value() / 3
	return math.Sqrt(float64(bend*bend) + p.Scatter*4/3)
}

// Resolution tells what the last digit of the readback costs. The rounding of
// one reading is rectangular over a digit. Readings that differ are taken to round
// independently; readings in a row that are alike share one rounding, so their
// time adds up before it is squared.
type Resolution struct {
	Held    float64 // s, that the present reading has stood
	Squares float64 // s², Σ of the squares of the times for which earlier readings stood
}

// judge takes one observed step of h seconds that ends at amperes. Each
// reading of a trapezoid stands for half the step on either side.
func (r *Resolution) judge(h, before, amperes float64) {
	if amperes == before {
		r.Held += h
		return
	}
	r.Held += h / 2
	r.end()
	r.Held = h / 2
}

// end closes the time for which a reading stood.
func (r *Resolution) end() {
	r.Squares += float64(r.Held * r.Held)
	r.Held = 0
}

// standardUncertainty returns the charge's, in C, for a last digit in A.
func (r *Resolution) standardUncertainty(digit float64) float64 {
	return digit / math.Sqrt(12) * math.Sqrt(r.Squares+float64(r.Held*r.Held))
}

// breakOff ends whatever spans steps, because a gap follows.
func (st *Accumulated) breakOff() {
	st.Sampling.Open = false
	st.Resolution.end()
	st.Meter.Resolution.end()
}

// Settings says how a coulometer treats long steps, and how good the supply's
// readback is. Every accuracy is given as makers state it: the half-width of
// an interval outside which no value is expected (rectangular, JCGM 100, 4.3.7). Zero means
// perfect, or unknown.
type Settings struct {
	// GapAfter is the longest step that is bridged by the trapezoid; a longer one
	// is a gap. Zero or less: no step is too long.
	GapAfter time.Duration
	// EarlierDoubts keeps the ripple out of the uncertainty of gaps, and judges the sampling by every second reading only. A log that was
	// begun before nightcell knew better is counted so to its end, so that it gives the same bits.
	EarlierDoubts bool

	GainRelative      float64 // of the current readback: 0.001 is 0.1 % of reading
	OffsetAmperes     float64
	ResolutionAmperes float64 // the step of the last digit (not half of it)

	VoltGainRelative float64
	VoltOffset       float64 // V
	VoltResolution   float64 // V, the step of the last digit

	TimebaseRelative float64 // of the clock that stamps the readings: 50e-6 is 50 ppm

	// ZeroAmperes is what the supply reported with its output off and its leads
	// open; it is subtracted from every reading. ZeroUncertainty is the standard
	// uncertainty of that figure; when positive it takes the place of OffsetAmperes.
	ZeroAmperes     float64
	ZeroUncertainty float64

	// CorrectionFactor is true current over reported current, from a check against
	// a shunt or a known load; 0 means 1. CorrectionUncertainty is its standard
	// uncertainty; when positive it takes the place of GainRelative.
	CorrectionFactor      float64
	CorrectionUncertainty float64

	Meter MeterSettings
}

// Validate returns every mistake in s, joined: a figure that is not finite, an
// accuracy below zero, a correction that could not be one.
func (s Settings) Validate() error {
	var mistakes []error
	for _, f := range []struct {
		name    string
		value   float64
		anySign bool
	}{
		{"gain", s.GainRelative, false},
		{"offset", s.OffsetAmperes, false},
		{"resolution", s.ResolutionAmperes, false},
		{"voltage gain", s.VoltGainRelative, false},
		{"voltage offset", s.VoltOffset, false},
		{"voltage resolution", s.VoltResolution, false},
		{"timebase", s.TimebaseRelative, false},
		{"zero", s.ZeroAmperes, true},
		{"uncertainty of the zero", s.ZeroUncertainty, false},
		{"correction factor", s.CorrectionFactor, false},
		{"uncertainty of the correction factor", s.CorrectionUncertainty, false},
		{"meter's gain", s.Meter.GainRelative, false},
		{"meter's offset", s.Meter.OffsetAmperes, false},
		{"meter's resolution", s.Meter.ResolutionAmperes, false},
		{"meter's voltage gain", s.Meter.VoltGainRelative, false},
		{"meter's voltage offset", s.Meter.VoltOffset, false},
		{"meter's voltage resolution", s.Meter.VoltResolution, false},
	} {
		switch {
		case math.IsNaN(f.value) || math.Abs(f.value) > maxMagnitude:
			mistakes = append(mistakes, fmt.Errorf("integrate: the %s is %v; a finite figure is needed", f.name, f.value))
		case f.value < 0 && !f.anySign:
			mistakes = append(mistakes, fmt.Errorf("integrate: the %s is %v; it must not be negative", f.name, f.value))
		}
	}
	return errors.Join(mistakes...)
}
