package bath

import (
	"math"
	"testing"

	"nightcell/integrate/matter"
)

// TestTheoreticalDoubt: the charge in theory is as doubtful as the metal that the
// target asks for, by hand: from 60 to 50 g/L in 1 L, 1 % of 60 g/L and 1.5 % of 10 g, that is 6.2 % of 10 g; a
// thickness by its area, 3 %; a recovered share by the bath; a deposit not at all; a plain charge by the efficiency.
func TestTheoreticalDoubt(t *testing.T) {
	base := Order{
		Contents:   Contents{Metal: "Zn", Medium: matter.Sulfate, Volume: given(1e-3), Concentration: given(60)},
		Efficiency: Efficiency{Fraction: given(0.9)},
		Conditions: Conditions{Current: given(3), CathodeArea: given(60e-4)},
	}
	for name, test := range map[string]struct {
		target Target
		grams  float64
		want   float64 // relative
	}{
		"concentration": {Target{Concentration, given(50)}, 10, math.Hypot(0.01*60, 0.015*10) / 10},
		"thickness":     {Target{Thickness, given(0.1e-3)}, 60e-4 * 0.1e-3 * 7140e3, 0.03},
		"recover":       {Target{Recover, given(0.5)}, 30, math.Hypot(0.01, 0.015)},
		"deposit":       {Target{Deposit, given(10e-3)}, 10, 0},
		"charge":        {Target{Charge, given(3600)}, 0.9 * 1.21972, 0.04},
	} {
		o := base
		o.Target = test.target
		theory := mustPlan(t, o).Goal.Theoretical
		// 0.81987 A·h/g: 2 × 96485.33 / 65.38 / 3600.
		if got, want := theory.Value/3600, test.grams*0.81987; math.Abs(got/want-1) > 1e-4 {
			t.Errorf("%s: %.5g A·h in theory, by hand %.5g", name, got, want)
		}
		if got := theory.Relative(); math.Abs(got-test.want) > 1e-3*test.want {
			t.Errorf("%s: doubtful by %.4g, by hand %.4g", name, got, test.want)
		}
	}
}

// TestMarginalTheoryDoubt: where the stop depends on voltage, transfer and area, so does the metal it wins.
func TestMarginalTheoryDoubt(t *testing.T) {
	o := twoStageOrder()
	o.Conditions.CellVoltage = given(2.2)
	o.Target = Target{Marginal, given(5 * 3.6e6)}
	g := mustPlan(t, o).Goal
	// The concentration at the stop goes with voltage (5 %) over transfer (30 %) and area (3 %), to first order.
	left := g.Left.Value / 40
	end := left * math.Sqrt(0.05*0.05+0.3*0.3+0.03*0.03) / (1 - left)
	stock := math.Hypot(0.01/(1-left), 0.015) // the bath, and with its volume the end
	if got, want := g.Theoretical.Relative(), math.Hypot(end, stock); math.Abs(got/want-1) > 0.15 {
		t.Errorf("theory is doubtful by %.3g, by hand about %.3g", got, want)
	}
}

// TestAnswerMarks: a guessed area or current is told by the mark of what rests on it, and only of that.
func TestAnswerMarks(t *testing.T) {
	guess := func(v float64) matter.Figure { return matter.Figure{Value: v, Mark: matter.Assumed} }
	stated := func(o Order) Order {
		if len(o.Contents.Salts) > 0 {
			o.Contents.Salts = []Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.250), Assay: given(0.99)}}
		}
		return o
	}
	thick := stated(zincOrder())
	thick.Target = Target{Thickness, given(1e-4)}
	for name, test := range map[string]struct {
		order            Order
		change           func(*Order)
		charge, duration matter.Mark
	}{
		"fixed, all given":             {stated(zincOrder()), func(*Order) {}, matter.Given, matter.Given},
		"fixed, guessed current":       {stated(zincOrder()), func(o *Order) { o.Conditions.Current = guess(3) }, matter.Given, matter.Assumed},
		"fixed, guessed area":          {stated(zincOrder()), func(o *Order) { o.Conditions.CathodeArea = guess(60e-4) }, matter.Given, matter.Given},
		"two-stage, all given":         {stated(twoStageOrder()), func(*Order) {}, matter.Given, matter.Given},
		"two-stage, guessed area":      {stated(twoStageOrder()), func(o *Order) { o.Conditions.CathodeArea = guess(2e-2) }, matter.Assumed, matter.Assumed},
		"two-stage, guessed current":   {stated(twoStageOrder()), func(o *Order) { o.Conditions.Current = guess(4) }, matter.Assumed, matter.Assumed},
		"thickness, published density": {thick, func(*Order) {}, matter.Published, matter.Published},
		"thickness, guessed area":      {thick, func(o *Order) { o.Conditions.CathodeArea = guess(60e-4) }, matter.Assumed, matter.Assumed},
	} {
		o := test.order
		test.change(&o)
		g := mustPlan(t, o).Goal
		if g.Charge.Mark != test.charge || g.Duration.Mark != test.duration {
			t.Errorf("%s: charge %s, time %s; want %s, %s", name, g.Charge.Mark, g.Duration.Mark, test.charge, test.duration)
		}
	}
}

// TestDoubtOfTheCurrent: a current known to 10 % leaves the charge of a fixed efficiency alone and the time in doubt by 10 %.
func TestDoubtOfTheCurrent(t *testing.T) {
	sure, o := mustPlan(t, zincOrder()).Goal, zincOrder()
	o.Conditions.Current = matter.GivenFigure(3, 0.3)
	g := mustPlan(t, o).Goal
	if math.Abs(g.Charge.StandardUncertainty/sure.Charge.StandardUncertainty-1) > 1e-9 {
		t.Errorf("charge ± %g C, with a sure current ± %g C", g.Charge.StandardUncertainty, sure.Charge.StandardUncertainty)
	}
	if got, want := g.Duration.Relative(), math.Hypot(sure.Duration.Relative(), 0.1); math.Abs(got/want-1) > 0.02 {
		t.Errorf("the time is doubtful by %g, by hand %g", got, want)
	}
}
