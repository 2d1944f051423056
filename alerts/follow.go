package alerts

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts/trend"
	"nightcell/configs/quantity"
)

// follow takes one good reading into what is learned of the cell.
func (b *Board) follow(now time.Duration, o *Observation) {
	running := b.isRunning(o)
	if running != b.m.Running {
		b.m.Running = running
		b.Relearn("the output was switched")
	}
	if !running {
		return
	}
	b.regulate(now, o)
	b.repeat(now, o)
	t := now.Seconds()
	y, sigma := o.Volts, b.m.Noise
	if b.m.Regulation == ConstantVoltage {
		y = -o.Amperes
	}
	if !b.m.Corridor.Settled {
		sigma = b.m.Fresh
	}
	b.m.Excursions.Add(t, y, sigma)
	if !b.m.History.Add(t, o.Volts, o.Amperes) {
		return
	}
	b.m.Fresh = b.recentNoise(5)
	last := b.m.History.Last(0)
	if r := &b.m.Repeats; last.NoiseVolts == 0 && last.NoiseAmperes == 0 {
		r.Pending++
	} else {
		r.Blocks++
	}
	if b.Holds(HardShort) {
		return // what a short shows is no baseline
	}
	settled := b.m.Corridor.Settled
	s, scale := b.limits.Warmup, b.scale()
	s.SettledSlope, s.Follow, s.HalfWidth = s.SettledSlope*scale, s.Follow*scale, b.halfWidth()
	b.m.Corridor.Add(&s, last.At, b.signal(last))
	if b.m.Corridor.Settled && !settled {
		b.learn()
	}
	b.look()
}

// isRunning decides whether current is meant to flow. Where the supply does not tell
// its output state, amperes do, and only a cell without volts counts as switched off.
func (b *Board) isRunning(o *Observation) bool {
	switch o.Output {
	case OutputIsOn:
		return true
	case OutputIsOff:
		return false
	}
	if math.Abs(o.Amperes) > leastAmperes {
		return true
	}
	return b.m.Running && math.Abs(o.Volts) > leastVolts
}

// leastAmperes and leastVolts tell something from nothing when nothing better is
// known (common practice, no source).
const (
	leastAmperes = 0.01
	leastVolts   = 0.3
)

// regulationTime is how long a mode must last before it counts as the one the run is meant to have: a
// ramp may begin in the other (common practice, no source).
const regulationTime = 2 * time.Minute

// regulate learns which quantity the supply is meant to hold.
func (b *Board) regulate(now time.Duration, o *Observation) {
	mode := modeOf(o)
	if b.m.Regulation == ModeUnknown && b.chemistry.HoldsVolts {
		b.m.Regulation = ConstantVoltage
	}
	if b.m.Regulation != ModeUnknown || mode != ConstantCurrent && mode != ConstantVoltage {
		return
	}
	if mode != b.m.Mode {
		b.m.Mode, b.m.ModeSince = mode, now
	}
	if now-b.m.ModeSince < regulationTime {
		return
	}
	b.m.Regulation = mode
	if mode == ConstantVoltage { // what was gathered so far was the other quantity
		b.m.Corridor.Restart()
		b.m.Excursions = trend.Excursions{}
	}
}

// modeOf is the mode that the supply tells, or else the one that the set-points and the
// reading tell: what stands at its set-point is held.
func modeOf(o *Observation) Mode {
	const at, under = 0.01, 0.03
	volts, amperes := cmp.Or(o.OwnVolts, o.Volts), cmp.Or(o.OwnAmperes, o.Amperes)
	switch {
	case o.Mode != ModeUnknown:
		return o.Mode
	case math.Abs(amperes-o.SetAmperes) < at*o.SetAmperes && volts < (1-under)*o.SetVolts:
		return ConstantCurrent
	case math.Abs(volts-o.SetVolts) < at*o.SetVolts && amperes < (1-under)*o.SetAmperes:
		return ConstantVoltage
	}
	return ModeUnknown
}

// repeat counts how often a reading equals the one before, to the last digit, and
// learns the size of the last digit.
func (b *Board) repeat(now time.Duration, o *Observation) {
	r := &b.m.Repeats
	v, a := math.Abs(o.Volts-float64(r.Volts)), math.Abs(o.Amperes-float64(r.Amperes))
	if v == 0 && a == 0 {
		r.Run++
		return
	}
	if v > 0 && (r.StepVolts == 0 || v < r.StepVolts) {
		r.StepVolts = v
	}
	if a > 0 && (r.StepAmperes == 0 || a < r.StepAmperes) {
		r.StepAmperes = a
	}
	r.Changes++
	r.Blocks += r.Pending
	r.Still += r.Pending
	r.Volts, r.Amperes, r.Run, r.Since, r.Pending = quantity.Maybe(o.Volts), quantity.Maybe(o.Amperes), 0, now, 0
}

// repeats is the memory of equal readings. It belongs to the meter, so it outlives a new corridor.
type repeats struct {
	Volts, Amperes         quantity.Maybe
	Since                  time.Duration // when this pair first came
	Run                    int           // how often it has come again
	Changes                int           // how often it was followed by another
	Blocks                 int           // closed blocks
	Still                  int           // of these: without any change
	Pending                int           // blocks without any change that this pair has lasted
	StepVolts, StepAmperes float64       // smallest changes seen: the last digits; zero before one was
}

// lively tells whether this meter on this cell shows a change in practically every
// block, so that standing still means something.
func (r *repeats) lively() bool { return r.Blocks >= 15 && 50*r.Still <= r.Blocks }

// signal is what the corridor is made of: the quantity that the supply leaves to the
// cell. Volts at constant current; at constant voltage amperes, counted negative, so that in both
// a cell that conducts better falls.
func (b *Board) signal(k *trend.Block) float64 {
	if b.m.Regulation == ConstantVoltage {
		return -float64(k.Amperes)
	}
	return float64(k.Volts)
}

// halfWidth is the departure from the corridor's centre that counts, in signal units.
func (b *Board) halfWidth() float64 { return b.limits.DriftVolts * b.scale() }

// scale turns the corridor's figures, which are for volts, into those for its signal.
func (b *Board) scale() float64 {
	if b.m.Regulation == ConstantVoltage {
		return b.limits.DriftRelative * b.usual() / b.limits.DriftVolts // A for V
	}
	return 1
}

// usual returns the current that the run is meant to have, in amperes; zero when not known.
func (b *Board) usual() float64 {
	if b.m.Regulation != ConstantVoltage && float64(b.m.Set.Amperes) > 0 {
		return float64(b.m.Set.Amperes)
	}
	if b.m.Usual > 0 || len(b.m.History.Blocks) == 0 {
		return b.m.Usual
	}
	return float64(b.m.History.Last(0).Amperes)
}

// Relearn makes the board forget the corridor and learn it anew, because something
// was done to the cell on purpose: an addition, a new electrode, another current. why is shown to people.
func (b *Board) Relearn(why string) {
	m := &b.m
	m.Why = why
	m.Corridor.Restart()
	m.History.Clear()
	m.Excursions = trend.Excursions{}
	m.Features = features{}
	m.Steps = steps{}
	m.Regulation, m.Mode = ModeUnknown, ModeUnknown
	m.Usual, m.Noise, m.Steady, m.Fresh = 0, 0, 0, 0
}

// Expect tells the board the set-points that are meant, after the watch itself or a
// person has changed them, so that they are not taken for a stranger's hand. NaN leaves one to be learned.
func (b *Board) Expect(volts, amperes float64) {
	b.m.Set = setPoints{Volts: quantity.Maybe(volts), Amperes: quantity.Maybe(amperes)}
}

// StepTest measures the slope resistance of a cell from a small step down in current:
// a few readings before it, a few after. It never asks for a step up. The zero value is ready.
type StepTest struct {
	before, after mean
}

// mean gathers the readings of one side of the step.
type mean struct{ volts, amperes trend.Line }

func (m *mean) add(volts, amperes float64) {
	m.volts.Add(float64(m.volts.N), volts)
	m.amperes.Add(float64(m.amperes.N), amperes)
}

// Before takes in a reading from before the step, in V and A.
func (s *StepTest) Before(volts, amperes float64) { s.before.add(volts, amperes) }

// After takes in a reading from after the step. The first seconds after it belong to
// the surface, not to the bath; the caller leaves them out.
func (s *StepTest) After(volts, amperes float64) { s.after.add(volts, amperes) }

// Step is the result of a StepTest.
type Step struct {
	Ohms        float64 `json:"ohms"`             // ΔV/ΔI
	Uncertainty float64 `json:"uncertainty_ohms"` // standard, from the noise of the readings
	Amperes     float64 `json:"amperes"`          // how far the current went down, positive
}

// fewestReadings on each side of a step.
const fewestReadings = 3

// Result works the slope resistance out. The error says what is missing: readings, or a
// step down that stands out of the noise.
func (s *StepTest) Result() (Step, error) {
	n := min(s.before.volts.N, s.after.volts.N)
	if n < fewestReadings {
		return Step{}, fmt.Errorf("step test: %d readings on one side; take at least %d on each", n, fewestReadings)
	}
	di := s.before.amperes.MeanY - s.after.amperes.MeanY
	dv := s.before.volts.MeanY - s.after.volts.MeanY
	ui := math.Hypot(standardError(&s.before.amperes), standardError(&s.after.amperes))
	uv := math.Hypot(standardError(&s.before.volts), standardError(&s.after.volts))
	switch {
	case di <= 0:
		return Step{}, errors.New("step test: the current did not go down")
	case di < 5*ui:
		return Step{}, fmt.Errorf("step test: a step of %.3g A is lost in noise of ±%.2g A; use a larger step or more readings", di, ui)
	}
	ohms := dv / di
	return Step{Ohms: ohms, Uncertainty: math.Hypot(uv/di, ohms*ui/di), Amperes: di}, nil
}

// standardError is that of the mean.
func standardError(l *trend.Line) float64 { return l.Deviation() / math.Sqrt(float64(l.N)) }

// steps is what the board remembers of step tests.
type steps struct {
	Reference, Latest Step
	HasReference      bool // taken while the cell stood in the middle of its corridor
	HasLatest         bool
}

// Stepped tells the board the result of a step test. The first one in a settled, undisturbed cell becomes the reference; a later one then splits a rise into
// what is ohmic and what is not, and the text says so. The corridor is moved along with the lower current, so nothing
// has to be learned anew; tell the new set-point to Expect as well.
func (b *Board) Stepped(s Step) string {
	m := &b.m.Steps
	m.Latest, m.HasLatest = s, true
	text := fmt.Sprintf("a step of %.3g A down shows a slope resistance of %s Ω", s.Amperes, quantity.WithDoubt(s.Ohms, s.Uncertainty))
	undisturbed := b.m.Corridor.Settled && math.Abs(b.m.Features.Rise) < ohmicVolts/2
	if !m.HasReference && undisturbed {
		m.Reference, m.HasReference = s, true
		text += "; kept as the reference"
	}
	if share := b.ohmicShare(); finite(share) {
		text += fmt.Sprintf("; about %.0f %% of the rise of %.2f V is ohmic", 100*math.Max(0, math.Min(share, 1)), b.m.Features.Rise)
	}
	if b.m.Regulation == ConstantCurrent {
		b.lower(s)
	}
	return text + "."
}

// lower moves what is learned by a change of current at the measured resistance.
func (b *Board) lower(s Step) {
	down := s.Ohms * s.Amperes
	m := &b.m
	m.Corridor.Shift(-down)
	m.History.Shift(-down)
	m.Excursions.Level -= down
	m.Usual -= s.Amperes
	m.Steady -= s.Amperes
}

// ohmicShare is how much of the present rise the growth of the slope resistance since
// the reference explains; NaN without two tests or without a rise.
func (b *Board) ohmicShare() float64 {
	m := &b.m.Steps
	rise := b.m.Features.Rise
	if !m.HasReference || !m.HasLatest || m.Latest == m.Reference || rise < ohmicVolts/2 || b.m.Regulation != ConstantCurrent {
		return math.NaN()
	}
	return (m.Latest.Ohms - m.Reference.Ohms) * b.m.Steady / rise
}

// set is a set of conditions.
type set uint64

func of(cs ...Condition) (s set) {
	for _, c := range cs {
		s |= 1 << c
	}
	return s
}

func (s set) has(c Condition) bool { return s&(1<<c) != 0 }
