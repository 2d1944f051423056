package integrate

import (
	"math"
	"testing"
	"time"
)

// steady counts a constant current for a time, polled every step.
func steady(t *testing.T, s Settings, amperes float64, length, step time.Duration) *Coulometer {
	t.Helper()
	c := NewCoulometer(s)
	for at := time.Duration(0); at <= length; at += step {
		if _, err := c.Add(Sample{At: at, Volts: 3, Amperes: amperes}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// TestBudgetByHand: 0.1 % and 5 mA, both rectangular, over 16.2 h at 64.90 A·h
// give ± 0.12 A·h at k = 2 (common practice of stating it; recomputed by hand:
// 2·√((0.0649² + 0.081²)/3) = 0.1198).
func TestBudgetByHand(t *testing.T) {
	c := steady(t, Settings{GainRelative: 0.001, OffsetAmperes: 0.005}, 64.9/16.2, 58320*time.Second, 10*time.Second)
	got := c.Totals()
	if q := got.Charge / 3600; math.Abs(q-64.9) > 1e-9 {
		t.Errorf("%v A·h", q)
	}
	expanded := CoverageFactor * got.StandardUncertainty / 3600
	if want := 2 * math.Sqrt((0.0649*0.0649+0.081*0.081)/3); math.Abs(expanded-want) > 1e-9 || math.Round(expanded*100) != 12 {
		t.Errorf("± %v A·h, by hand ± %v", expanded, want)
	}
}

// TestBudgetParts takes each source alone.
func TestBudgetParts(t *testing.T) {
	const q, seconds = 3 * 3600.0, 3600.0
	for name, c := range map[string]struct {
		s    Settings
		part func(Budget) float64
		want float64
	}{
		"gain":       {Settings{GainRelative: 0.002}, func(b Budget) float64 { return b.Gain }, 0.002 * q / math.Sqrt(3)},
		"offset":     {Settings{OffsetAmperes: 0.01}, func(b Budget) float64 { return b.Offset }, 0.01 * seconds / math.Sqrt(3)},
		"timebase":   {Settings{TimebaseRelative: 1e-4}, func(b Budget) float64 { return b.Timebase }, 1e-4 * q / math.Sqrt(3)},
		"zero":       {Settings{ZeroUncertainty: 0.001, OffsetAmperes: 0.01}, func(b Budget) float64 { return b.Zero }, 0.001 * seconds},
		"correction": {Settings{CorrectionFactor: 1, CorrectionUncertainty: 0.002, GainRelative: 0.1}, func(b Budget) float64 { return b.Correction }, 0.002 * q},
		// A reading that never moves shares one rounding: half a digit, rectangular, all the time.
		"resolution": {Settings{ResolutionAmperes: 0.01}, func(b Budget) float64 { return b.Resolution }, 0.005 / math.Sqrt(3) * seconds},
	} {
		got := steady(t, c.s, 3, time.Hour, time.Second).Totals()
		if part := c.part(got.Budget); math.Abs(part-c.want) > 1e-9*c.want || math.Abs(got.StandardUncertainty-c.want) > 1e-9*c.want {
			t.Errorf("%s: %v C of %v C, want %v C alone", name, part, got.StandardUncertainty, c.want)
		}
		sum := 0.0
		for _, p := range got.Budget.Components() {
			sum += p.StandardUncertainty * p.StandardUncertainty
		}
		if math.Abs(math.Sqrt(sum)-got.StandardUncertainty) > 1e-9 {
			t.Errorf("%s: the parts give %v C, the whole is %v C", name, math.Sqrt(sum), got.StandardUncertainty)
		}
	}
}

// TestSystematicPartsDoNotAverageOut: polling a hundred times as often leaves gain
// and offset as they are, and shrinks what is random by ten.
func TestSystematicPartsDoNotAverageOut(t *testing.T) {
	budget := func(step time.Duration) Budget {
		c := NewCoulometer(Settings{GainRelative: 0.001, OffsetAmperes: 0.005, ResolutionAmperes: 0.001})
		for i := range int(time.Hour/step) + 1 {
			// A last digit that is never the same twice in a row.
			if _, err := c.Add(Sample{At: time.Duration(i) * step, Volts: 3, Amperes: 3 + 0.001*float64(i%2)}, Evidence{}); err != nil {
				t.Fatal(err)
			}
		}
		return c.Totals().Budget
	}
	rare, often := budget(100*time.Second), budget(time.Second)
	near := func(what string, got, want, within float64) {
		t.Helper()
		if math.Abs(got-want) > within*want {
			t.Errorf("%s: %v, want %v", what, got, want)
		}
	}
	near("gain", often.Gain, rare.Gain, 1e-3)
	near("offset", often.Offset, rare.Offset, 1e-9)
	near("resolution", often.Resolution, rare.Resolution/10, 0.02)
	// By hand: n readings of h seconds each round on their own: digit/√12·h·√n.
	near("resolution by hand", often.Resolution, 0.001/math.Sqrt(12)*math.Sqrt(3600), 0.01)
}

// TestZeroAndCorrectionHoldForTheWholeRun: the readings are kept raw, so that what
// is learned later mends what was counted before.
func TestZeroAndCorrectionHoldForTheWholeRun(t *testing.T) {
	c := steady(t, Settings{OffsetAmperes: 0.01, GainRelative: 0.01}, 3, time.Hour, time.Second)
	if err := c.SetZero(Zero{Amperes: 0.02, Uncertainty: 0.001}); err != nil {
		t.Fatal(err)
	}
	if err := c.SetCorrection(Correction{Factor: 1.01, Uncertainty: 0.0005}); err != nil {
		t.Fatal(err)
	}
	got := c.Totals()
	want := 1.01 * 2.98 * 3600
	if math.Abs(got.Charge-want) > 1e-6 || math.Abs(got.Energy-3*want) > 1e-6 {
		t.Errorf("%v C, %v J; want %v C, %v J", got.Charge, got.Energy, want, 3*want)
	}
	b := got.Budget
	if b.Gain != 0 || b.Offset != 0 || math.Abs(b.Zero-1.01*3.6) > 1e-9 || math.Abs(b.Correction-want*0.0005/1.01) > 1e-9 {
		t.Errorf("budget: %+v", b)
	}
	before := c.State()
	for _, err := range []error{
		c.SetZero(Zero{Amperes: math.NaN()}), c.SetZero(Zero{Uncertainty: -1}),
		c.SetCorrection(Correction{}), c.SetCorrection(Correction{Factor: -1}), c.SetCorrection(Correction{Factor: 1, Uncertainty: math.Inf(1)}),
	} {
		if err == nil {
			t.Error("nonsense is accepted")
		}
	}
	if !c.State().Equal(before) {
		t.Error("nonsense left a trace")
	}
}

// TestEnergyUncertaintyByHand: independent gains of volts and amperes.
func TestEnergyUncertaintyByHand(t *testing.T) {
	s := Settings{GainRelative: 0.003, VoltGainRelative: 0.004, OffsetAmperes: 0.03, VoltOffset: 0.03}
	got := steady(t, s, 3, time.Hour, time.Second).Totals()
	const joules = 9 * 3600.0
	want := joules * math.Sqrt((0.003*0.003+0.004*0.004+2*0.01*0.01)/3)
	if math.Abs(got.EnergyStandardUncertainty-want) > 1e-9*want {
		t.Errorf("%v J, by hand %v J", got.EnergyStandardUncertainty, want)
	}
}

func TestSettingsNameEveryMistake(t *testing.T) {
	err := Settings{GainRelative: -1, OffsetAmperes: math.NaN(), ZeroAmperes: -0.01, TimebaseRelative: math.Inf(1)}.Validate()
	if n := countLines(err); n != 3 {
		t.Errorf("%d mistakes named, want 3: %v", n, err)
	}
	if err := (Settings{ZeroAmperes: -0.01}).Validate(); err != nil {
		t.Error(err)
	}
}

func countLines(err error) int {
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		return len(joined.Unwrap())
	}
	return 0
}

// TestSamplingOfASmoothCurrent: of i = t² the trapezoid with n steps of a second gives
// n/6 C too much (OpenStax Calculus Volume 2, 3.6: h²(b−a)f″/12 is exact for a parabola), and the
// sampling part of the budget is that.
func TestSamplingOfASmoothCurrent(t *testing.T) {
	const n = 10000
	c := NewCoulometer(Settings{})
	for i := range n + 1 {
		if _, err := c.Add(Sample{At: time.Duration(i) * time.Second, Volts: 3, Amperes: float64(i * i)}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	got := c.Totals()
	off := got.Charge - float64(n)*n*n/3
	if math.Abs(off/(n/6.0)-1) > 1e-3 || math.Abs(got.Budget.Sampling/off-1) > 0.01 {
		t.Errorf("the charge is off by %v C, by hand %v C; sampling is said to cost %v C", off, n/6.0, got.Budget.Sampling)
	}
}

// TestLastDigitOfTheVoltage: half a digit, rectangular, shared by all readings (JCGM 100, 4.3.7).
func TestLastDigitOfTheVoltage(t *testing.T) {
	got := steady(t, Settings{VoltResolution: 0.01}, 3, time.Hour, time.Second).Totals()
	if want := 0.005 / math.Sqrt(3) * 3 * 3600; math.Abs(got.EnergyStandardUncertainty-want) > 1e-9*want {
		t.Errorf("%v J, by hand %v J", got.EnergyStandardUncertainty, want)
	}
}

// TestMeasuredGapsShareTheReadingsErrors: what rests on readings has their offset for its
// whole time, a gap between two of them included; a gap that is a mere range has not.
func TestMeasuredGapsShareTheReadingsErrors(t *testing.T) {
	s := Settings{GapAfter: 10 * time.Second, OffsetAmperes: 0.01, GainRelative: 0.002}
	for name, c := range map[string]struct {
		e       Evidence
		seconds float64
	}{
		"measured": {Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true}, 300},
		"a range":  {Evidence{OnBefore: true, OnAfter: true}, 100},
	} {
		counted, _ := acrossGap(t, s, 200*time.Second, 3, c.e)
		b := counted.Totals().Budget
		if offset, gain := 0.01/math.Sqrt(3)*c.seconds, 0.002/math.Sqrt(3)*3*c.seconds; math.Abs(b.Offset-offset) > 1e-9 || math.Abs(b.Gain-gain) > 1e-9 {
			t.Errorf("%s: offset %v C and gain %v C, by hand %v C and %v C", name, b.Offset, b.Gain, offset, gain)
		}
	}
}

// TestALoneOutlierBesideALongStep: one garbled digit stands for half of the steps on both its sides, however unequal they are; k = 2 holds what it costs,
// wherever in the run it falls.
func TestALoneOutlierBesideALongStep(t *testing.T) {
	for at := 2; at < 8; at++ {
		c := NewCoulometer(Settings{GapAfter: 10 * time.Second})
		now, wrong := time.Duration(0), 0.0
		for i := range 12 {
			amperes := 2.888
			step := time.Second
			if i == at {
				amperes, step = 2.864, 7800*time.Millisecond
				wrong = 0.024 * (7.8 + 1) / 2
			}
			if i > 0 {
				now += step
			}
			if _, err := c.Add(Sample{At: now, Volts: 3, Amperes: amperes}, Evidence{}); err != nil {
				t.Fatal(err)
			}
		}
		if u := c.Totals().Budget.Sampling; 2*u < wrong {
			t.Errorf("reading %d: ±%.3f C for an error of %.3f C", at, 2*u, wrong)
		}
	}
}
