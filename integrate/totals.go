package integrate

import (
	"math"
	"time"
)

// CoverageFactor is the k with which uncertainties are shown: k = 2 covers about
// 95 % when no single rectangular part dominates (JCGM 100, 6.3.3).
const CoverageFactor = 2

// Totals is where a run stands.
type Totals struct {
	Readings int64

	Elapsed  time.Duration // from the first reading to the last
	Observed time.Duration // of it, without gaps

	ObservedCharge  float64 // C, corrected
	Charge          float64 // C, observed and the best value of every gap
	GapLow, GapHigh float64 // C, the least and the most that the gaps can hold
	// StandardUncertainty of Charge (C), and what it is made of.
	StandardUncertainty float64
	Budget              Budget

	ObservedEnergy              float64 // J
	Energy                      float64
	EnergyGapLow, EnergyGapHigh float64
	EnergyStandardUncertainty   float64

	Gaps int

	MeterCharge float64 // C, of ObservedCharge, by the second meter
	Leads       Leads
}

// Low returns the least charge that the run can hold, in C: every gap at its low
// end, and everything else at k = 2.
func (t Totals) Low() float64 { return t.ObservedCharge + t.GapLow - t.expandedWithoutGaps() }

// High returns the most charge that the run can hold, in C, in the same way.
func (t Totals) High() float64 { return t.ObservedCharge + t.GapHigh + t.expandedWithoutGaps() }

func (t Totals) expandedWithoutGaps() float64 {
	b := t.Budget
	b.Gaps = 0
	return CoverageFactor * b.combined()
}

// Budget holds the standard uncertainty of the charge by source, in C. The
// sources are independent of each other; inside each, what the readings share is
// added up before it is squared (JCGM 100, 5.2.2): gain, offset, zero, correction
// and timebase are the same error in every reading and no averaging shrinks them.
type Budget struct {
	Gain       float64 // maker's; none once a correction with an uncertainty was entered
	Offset     float64 // maker's; none once a zero with an uncertainty was taken
	Resolution float64
	Sampling   float64
	Timebase   float64
	Gaps       float64
	Zero       float64
	Correction float64
	Meter      float64 // gain, offset and resolution of the second meter, over what it has measured, gaps included; 0 without one
}

// Component is one part of a Budget, named.
type Component struct {
	Source              string  `json:"source"`
	StandardUncertainty float64 `json:"standard_uncertainty_coulombs"`
}

// Components returns the parts in a fixed order, with their names; the second meter's only if it has measured.
func (b Budget) Components() []Component {
	all := []Component{
		{"gain", b.Gain}, {"offset", b.Offset}, {"resolution", b.Resolution}, {"sampling", b.Sampling},
		{"timebase", b.Timebase}, {"gaps", b.Gaps}, {"zero", b.Zero}, {"correction", b.Correction},
	}
	if b.Meter > 0 {
		all = append(all, Component{"meter", b.Meter})
	}
	return all
}

// Supply is what the supply's ammeter gives to what it has measured, gaps included.
func (b *Budget) Supply() float64 {
	return rootSumSquares(b.Gain, b.Offset, b.Resolution, b.Zero, b.Correction)
}

func (b *Budget) combined() float64 {
	return rootSumSquares(b.Gain, b.Offset, b.Resolution, b.Sampling, b.Timebase, b.Gaps, b.Zero, b.Correction, b.Meter)
}

// rootSumSquares combines independent parts (JCGM 100, 5.1.2).
func rootSumSquares(u ...float64) float64 {
	var sum float64
	for _, x := range u {
		sum += float64(x * x)
	}
	return math.Sqrt(sum)
}

// Totals returns where the run stands, with the present zero and correction.
func (c *Coulometer) Totals() (t Totals) {
	st, gaps := &c.state, &c.gaps
	zero, factor := st.Zero.Amperes, st.Correction.Factor
	observed := seconds(st.Observed - st.Meter.Observed)
	t = Totals{
		Readings: st.Readings,
		Elapsed:  st.Elapsed, Observed: st.Observed,
		ObservedCharge: factor * (st.Charge.Value() - float64(zero*observed)),
		ObservedEnergy: factor * (st.Energy.Value() - float64(zero*st.VoltSeconds.Value())),
		GapLow:         gaps.Low, GapHigh: gaps.High,
		EnergyGapLow: gaps.LowJoules, EnergyGapHigh: gaps.HighJoules,
		Gaps: st.GapCount, MeterCharge: st.Meter.Charge.Value(), Leads: c.leads(),
	}
	t.ObservedCharge += t.MeterCharge
	t.ObservedEnergy += st.Meter.Energy.Value()
	t.Charge = t.ObservedCharge + gaps.Best
	t.Energy = t.ObservedEnergy + gaps.BestJoules
	t.Budget = c.budget(&t)
	t.StandardUncertainty = t.Budget.combined()
	t.EnergyStandardUncertainty = c.energyUncertainty(&t)
	return t
}

// rectangular turns the half-width that a maker states into a standard uncertainty (JCGM 100, 4.3.7).
func rectangular(halfWidth float64) float64 { return halfWidth / math.Sqrt(3) }

// relativeGain and offset return what is known about the ammeter, as standard
// uncertainties: by the maker's word, or by the operator's check in its place.
func (c *Coulometer) relativeGain() (maker, checked float64) {
	if k := c.state.Correction; k.Uncertainty > 0 {
		return 0, k.Uncertainty / k.Factor
	}
	return rectangular(c.settings.GainRelative), 0
}

func (c *Coulometer) offset() (maker, taken float64) {
	if z := c.state.Zero; z.Uncertainty > 0 {
		return 0, c.state.Correction.Factor * z.Uncertainty
	}
	return c.state.Correction.Factor * rectangular(c.settings.OffsetAmperes), 0
}

func (c *Coulometer) budget(t *Totals) Budget {
	// Charge and time that rest on readings: gaps bridged by a trapezoid share the
	// readings' errors, those that an operator settled or that are a mere range do not.
	// A gap has the meter's if that stands on both sides, else the supply's.
	charge := math.Abs(t.ObservedCharge - t.MeterCharge + c.gaps.MeasuredBest - c.gaps.MeterBest)
	ripple := c.state.Correction.Factor * c.rippleUncertainty()
	duration := seconds(t.Observed-c.state.Meter.Observed) + c.gaps.MeasuredSeconds - c.gaps.MeterSeconds
	gain, checked := c.relativeGain()
	offset, taken := c.offset()
	factor := c.state.Correction.Factor
	return Budget{
		Gain:       gain * charge,
		Offset:     offset * duration,
		Resolution: factor * c.state.Resolution.standardUncertainty(c.settings.ResolutionAmperes),
		Sampling:   factor * c.state.Sampling.standardUncertainty(),
		Timebase:   rectangular(c.settings.TimebaseRelative) * math.Abs(t.Charge),
		Gaps:       math.Sqrt(c.gaps.Variance + float64(ripple*ripple)),
		Zero:       taken * duration,
		Correction: checked * charge,
		Meter:      c.meterUncertainty(),
	}
}

// energyUncertainty propagates to ∫v·i dt. A relative error of the current or of
// the clock is the same relative error of the energy; an offset of the current counts
// with ∫v dt and one of the voltage with ∫i dt. The last digit of the voltage is taken as
// shared by all readings, which can only overstate it.
func (c *Coulometer) energyUncertainty(t *Totals) float64 {
	energy := math.Abs(t.ObservedEnergy + c.gaps.MeasuredJoules)
	gain, checked := c.relativeGain()
	offset, taken := c.offset()
	meanVolts, gapVolts := 0.0, 0.0
	if observed := seconds(t.Observed); observed > 0 {
		meanVolts = (c.state.VoltSeconds.Value() + c.state.Meter.VoltSeconds.Value()) / observed
	}
	volt, meter := &c.settings, &c.settings.Meter // of either voltmeter the poorer figure
	if c.gaps.MeasuredSeconds > 0 {
		gapVolts = c.gaps.MeasuredVoltSeconds / c.gaps.MeasuredSeconds
	}
	bySupply := math.Abs(t.ObservedEnergy - c.state.Meter.Energy.Value() + c.gaps.MeasuredJoules - float64(gapVolts*c.gaps.MeterBest))
	charge := math.Abs(t.ObservedCharge + c.gaps.MeasuredBest)
	voltSeconds := math.Abs(c.state.VoltSeconds.Value() + c.gaps.MeasuredVoltSeconds - float64(gapVolts*c.gaps.MeterSeconds))
	return rootSumSquares(
		gain*bySupply, checked*bySupply, t.Budget.Meter*meanVolts,
		offset*voltSeconds, taken*voltSeconds,
		t.Budget.Resolution*meanVolts, t.Budget.Sampling*meanVolts,
		rectangular(c.settings.TimebaseRelative)*math.Abs(t.Energy),
		rectangular(max(volt.VoltGainRelative, meter.VoltGainRelative))*energy,
		rectangular(max(volt.VoltOffset, meter.VoltOffset))*charge,
		max(volt.VoltResolution, meter.VoltResolution)/math.Sqrt(12)*charge,
		rectangular(heldVolts)*meanVolts*c.state.Meter.Blind,
		math.Sqrt(c.gaps.VarianceJoules), c.state.Correction.Factor*c.rippleUncertainty()*gapVolts,
	)
}
