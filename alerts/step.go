package alerts

import (
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts/trend"
)

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
	LatestAt          time.Duration
}

// Stepped tells the board the result of a step test that was taken at a time of the
// run. The first one in a settled, undisturbed cell becomes the reference; a later one then splits a rise into
// what is ohmic and what is not, and the text says so. The corridor is moved along with the lower current, so nothing
// has to be learned anew; tell the new set-point to Expect as well.
func (b *Board) Stepped(at time.Duration, s Step) string {
	m := &b.m.Steps
	m.Latest, m.HasLatest, m.LatestAt = s, true, at
	text := fmt.Sprintf("a step of %.3g A down shows a slope resistance of %.3g ± %.1g Ω", s.Amperes, s.Ohms, s.Uncertainty)
	undisturbed := b.m.Corridor.Settled && math.Abs(b.m.Features.Rise) < ohmicVolts/2
	if !m.HasReference && undisturbed {
		m.Reference, m.HasReference = s, true
		text += "; kept as the reference"
	}
	if share, ok := b.ohmicShare(); ok {
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
// the reference explains; ok is false without two tests or without a rise.
func (b *Board) ohmicShare() (share float64, ok bool) {
	m := &b.m.Steps
	rise := b.m.Features.Rise
	if !m.HasReference || !m.HasLatest || m.Latest == m.Reference || rise < ohmicVolts/2 || b.m.Regulation != ConstantCurrent {
		return 0, false
	}
	return (m.Latest.Ohms - m.Reference.Ohms) * b.m.Steady / rise, true
}
