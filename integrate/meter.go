package integrate

import (
	"math"
	"time"
)

// MeterSettings is how good a second meter is; as in Settings, half-widths as makers state them. The gain of a shunt's volts
// includes the shunt's own uncertainty.
type MeterSettings struct {
	GainRelative      float64
	OffsetAmperes     float64
	ResolutionAmperes float64 // the step of the last digit
	VoltGainRelative  float64
	VoltOffset        float64 // V
	VoltResolution    float64 // V
}

// Poorer returns the larger figure of each kind: it holds for a run in which one meter took the place of the other.
func (m MeterSettings) Poorer(o MeterSettings) MeterSettings {
	return MeterSettings{
		max(m.GainRelative, o.GainRelative), max(m.OffsetAmperes, o.OffsetAmperes), max(m.ResolutionAmperes, o.ResolutionAmperes),
		max(m.VoltGainRelative, o.VoltGainRelative), max(m.VoltOffset, o.VoltOffset), max(m.VoltResolution, o.VoltResolution),
	}
}

// Meter holds the sums of what a second meter has measured.
type Meter struct {
	Last     bool          // the newest current is the meter's
	Observed time.Duration // that its readings stand for

	Charge, Energy, VoltSeconds Sum // as in Accumulated

	Blind float64 // C, counted while nobody measured the volts

	Resolution Resolution
	Leads      LeadSums
}

// heldVolts is how far the cell voltage may drift from the last that is known while nobody measures it, as a half-width of it (common practice, no
// source).
const heldVolts = 0.2

// part is what of a step one meter has measured.
type part struct {
	length                        time.Duration
	coulombs, joules, voltSeconds float64
}

func (m *Meter) add(p part) {
	if p.length == 0 {
		return
	}
	m.Observed += p.length
	m.Charge.Add(p.coulombs)
	m.Energy.Add(p.joules)
	m.VoltSeconds.Add(p.voltSeconds)
}

// split shares a step between the two meters. Each reading of a trapezoid stands for the half of the step on its side, so that a step from
// one meter to the other is half the one's and half the other's.
func (st *Accumulated) split(length time.Duration, s Sample) (supply, meter part) {
	h, v0, v1, a0, a1 := seconds(length), st.LastVolts, s.Volts, st.LastAmperes, s.Amperes
	if st.Meter.Last == s.Metered {
		whole := part{length, h * (a0 + a1) / 2, h * productIntegral(v0, v1, a0, a1), h * (v0 + v1) / 2}
		if s.Metered {
			return part{}, whole
		}
		return whole, part{}
	}
	half := func(length time.Duration, amperes, near, far float64) part {
		voltSeconds := h * (2*near + far) / 6
		return part{length, h * amperes / 2, voltSeconds * amperes, voltSeconds}
	}
	first, second := half(length-length/2, a0, v0, v1), half(length/2, a1, v1, v0)
	if s.Metered {
		return first, second
	}
	return second, first
}

// corrected is a current with zero and correction, which are the supply's.
func (st *Accumulated) corrected(amperes float64, metered bool) float64 {
	if metered {
		return amperes
	}
	return st.Correction.Factor * (amperes - st.Zero.Amperes)
}

// judge takes what an observed step tells of sampling and resolution. Where the meter changes, the difference of the two is no
// noise of either.
func (st *Accumulated) judge(length time.Duration, s Sample, earlier bool) {
	of := func(metered bool) *Resolution {
		if metered {
			return &st.Meter.Resolution
		}
		return &st.Resolution
	}
	h, before, now := seconds(length), of(st.Meter.Last), of(s.Metered)
	if before == now {
		st.judgeSampling(length, s.Amperes, earlier)
		now.judge(h, st.LastAmperes, s.Amperes)
		return
	}
	st.Sampling.Open = false
	before.Held += h / 2
	before.end()
	now.Held = h / 2
}

// meterUncertainty is the standard uncertainty, in C, that the second meter gives to what it has measured, gaps included.
func (c *Coulometer) meterUncertainty() float64 {
	m, s := &c.state.Meter, &c.settings.Meter
	return rootSumSquares(rectangular(s.GainRelative)*math.Abs(m.Charge.Value()+c.gaps.MeterBest), rectangular(s.OffsetAmperes)*(seconds(m.Observed)+c.gaps.MeterSeconds),
		m.Resolution.standardUncertainty(s.ResolutionAmperes))
}

// LeadSums are over the readings with volts both at the supply and at the cell.
type LeadSums struct {
	Readings int64
	Power    float64 // W, Σ of the volts lost in the leads times amperes
	Squares  float64 // A², Σ
}

func (l *LeadSums) add(s Sample) {
	l.Readings++
	l.Power += float64((s.SupplyVolts - s.Volts) * s.Amperes)
	l.Squares += float64(s.Amperes * s.Amperes)
}

// Leads is the resistance between supply and cell, there and back, with clips and joints.
type Leads struct {
	Ohms, StandardUncertainty float64
	Readings                  int64 // it rests on; 0: it was not measured
}

// leads fits one resistance through all readings (least squares of the drop over the current). Its uncertainty is that of the two voltmeters at
// the mean current and of the ammeter, which no number of readings shrinks.
func (c *Coulometer) leads() Leads {
	l, s := &c.state.Meter.Leads, &c.settings
	mean := math.Sqrt(l.Squares / float64(l.Readings)) // A
	if !(mean > 10*(s.OffsetAmperes+s.Meter.OffsetAmperes+s.ResolutionAmperes)) {
		return Leads{} // no reading, or next to no current: nothing to divide by
	}
	volts := math.Abs(c.state.LastVolts)
	r := l.Power / l.Squares
	return Leads{r, rootSumSquares(
		ofReading(s.VoltGainRelative, s.VoltOffset, s.VoltResolution, volts+math.Abs(r*mean))/mean,
		ofReading(s.Meter.VoltGainRelative, s.Meter.VoltOffset, s.Meter.VoltResolution, volts)/mean,
		rectangular(max(s.GainRelative, s.Meter.GainRelative))*r,
	), l.Readings}
}

// SetMeter takes a second meter into account that has come, or changed, since the run began: for what both have measured the poorer figures hold.
func (c *Coulometer) SetMeter(m MeterSettings) { c.settings.Meter = c.settings.Meter.Poorer(m) }

// Difference compares the supply's current with the meter's at one moment: by how much the supply shows more, and how far they may differ by
// both accuracies together at k = 2, in A.
func (c *Coulometer) Difference(supply, meter float64) (amperes, allowed float64) {
	s := &c.settings
	gain, checked := c.relativeGain()
	offset, taken := c.offset()
	amperes = c.state.corrected(supply, false) - meter
	return amperes, CoverageFactor * rootSumSquares(
		(gain+checked)*meter, offset, taken, s.ResolutionAmperes/math.Sqrt(12),
		ofReading(s.Meter.GainRelative, s.Meter.OffsetAmperes, s.Meter.ResolutionAmperes, meter))
}

// VoltsApart is how far the volts at the cell may lie above those at the supply by both accuracies together at k = 2, in V.
func (c *Coulometer) VoltsApart(volts float64) float64 {
	s, m := &c.settings, &c.settings.Meter
	return CoverageFactor * rootSumSquares(ofReading(s.VoltGainRelative, s.VoltOffset, s.VoltResolution, volts), ofReading(m.VoltGainRelative, m.VoltOffset, m.VoltResolution, volts))
}

// ofReading is the standard uncertainty of one reading, by its meter's half-widths and the step of its last digit.
func ofReading(gain, offset, step, reading float64) float64 {
	return rootSumSquares(rectangular(gain)*reading, rectangular(offset), step/math.Sqrt(12))
}
