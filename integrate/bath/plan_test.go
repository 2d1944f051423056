package bath

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"nightcell/integrate/matter"

	"pgregory.net/rapid"
)

// zincOrder is the project's scenario: zinc from a spent galvanizing pickle, 0.9 L of catholyte.
func zincOrder() Order {
	return Order{
		Contents:   Contents{Volume: given(0.9e-3), Salts: []Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.250)}}},
		Target:     Target{Recover, given(0.85)},
		Efficiency: Efficiency{Fraction: given(0.88)},
		Conditions: Conditions{Current: given(3), CathodeArea: given(60e-4)},
	}
}

// twoStageOrder is the copper case of the two-stage table.
func twoStageOrder() Order {
	return Order{
		Contents:   Contents{Metal: "Cu", Medium: matter.Sulfate, Volume: given(2e-3), Concentration: given(40)},
		Target:     Target{Recover, given(0.95)},
		Efficiency: Efficiency{Fraction: given(0.95), MassTransfer: given(1e-5)},
		Conditions: Conditions{Current: given(4), CathodeArea: given(2e-2)},
	}
}

func mustPlan(t testing.TB, o Order) *Plan {
	t.Helper()
	p, err := NewPlan(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestZincPlan follows the sum by hand with CIAAW and CODATA figures:
// 250 g × 65.38/287.54 = 56.84 g; × 0.85 = 48.32 g; ÷ 1.21971 g/A·h = 39.61 A·h; ÷ 0.88 = 45.02 A·h; ÷ 3 A = 15.0 h.
func TestZincPlan(t *testing.T) {
	p := mustPlan(t, zincOrder())
	for name, pair := range map[string][3]float64{
		"metal in the bath, g": {p.Amount.Value * 1e3, 56.84, 0.01},
		"deposit, g":           {p.Goal.Deposit.Value * 1e3, 48.32, 0.01},
		"theory, A·h":          {p.Goal.Theoretical.Value / 3600, 39.61, 0.01},
		"charge, A·h":          {p.Goal.Charge.Value / 3600, 45.02, 0.01},
		"time, h":              {p.Goal.Duration.Value / 3600, 15.0, 0.01},
		"left, g/L":            {p.Goal.Left.Value, 9.474, 0.005},
		"overall":              {p.Goal.Overall, 0.88, 1e-12},
	} {
		if math.Abs(pair[0]-pair[1]) > pair[2] {
			t.Errorf("%s: %.5g, by hand %g", name, pair[0], pair[1])
		}
	}
	if p.Metal.String() != "Zn" || p.Medium != matter.Sulfate || p.Valence != 2 {
		t.Errorf("%s(%d) in %s", p.Metal, p.Valence, p.Medium)
	}
	if p.Goal.Charge.Mark != matter.Assumed {
		t.Errorf("without an assay the answer rests on an assumption, not %s", p.Goal.Charge.Mark)
	}
	o := zincOrder()
	o.Contents.Salts[0].Assay = given(0.99)
	if p = mustPlan(t, o); p.Goal.Charge.Mark != matter.Given {
		t.Errorf("everything was given, not %s", p.Goal.Charge.Mark)
	}
}

// TestWaysToStateTheMetal: three ways to say the same bath give the same answer.
func TestWaysToStateTheMetal(t *testing.T) {
	bySalt := mustPlan(t, zincOrder())
	o := zincOrder()
	o.Contents.Salts = []Salt{{Formula: "ZnSO4·7H2O", Concentration: given(0.250 / 0.9e-3)}}
	bySaltConcentration := mustPlan(t, o)
	o.Contents = Contents{Metal: "zinc", Medium: matter.Sulfate, Volume: given(0.9e-3), Concentration: given(bySalt.Amount.Value / 0.9e-3)}
	byConcentration := mustPlan(t, o)
	o.Contents.Concentration, o.Contents.MetalMass = matter.Figure{}, given(bySalt.Amount.Value)
	byMass := mustPlan(t, o)
	o = zincOrder()
	o.Contents.Salts = []Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.1)}, {Formula: "ZnSO4*7H2O", Mass: given(0.15)}}
	twoSalts := mustPlan(t, o)
	for name, p := range map[string]*Plan{"salt concentration": bySaltConcentration, "concentration": byConcentration, "metal mass": byMass, "two salts": twoSalts} {
		if math.Abs(p.Goal.Charge.Value/bySalt.Goal.Charge.Value-1) > 1e-12 {
			t.Errorf("by %s %.9g C, by salt mass %.9g C", name, p.Goal.Charge.Value, bySalt.Goal.Charge.Value)
		}
	}
	if u, v := byConcentration.Goal.Charge.StandardUncertainty, byMass.Goal.Charge.StandardUncertainty; u <= v {
		t.Errorf("concentration times volume (%g C) is no worse known than a mass (%g C)", u, v)
	}
}

// TestUncertaintyAgainstMonteCarlo propagates the same doubts by sampling (JCGM
// 101), which shares nothing with the differences in the code but the truths that are moved.
func TestUncertaintyAgainstMonteCarlo(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	p := mustPlan(t, func() Order {
		o := twoStageOrder()
		o.Contents.Concentration = matter.GivenFigure(40, 0.4)
		o.Contents.Volume = matter.GivenFigure(2e-3, 3e-5)
		o.Efficiency.Fraction = matter.GivenFigure(0.90, 0.02)
		o.Efficiency.MassTransfer = matter.GivenFigure(1e-5, 1e-6)
		o.Conditions.CathodeArea = matter.GivenFigure(2e-2, 4e-4)
		return o
	}())
	molar := p.Metal.Element.Weight.Value
	var charge, deposit moments
	for range 20000 {
		volume := 2e-3 + 3e-5*random.NormFloat64()
		b := Batch{
			Valence: 2, Volume: volume, Area: 2e-2 + 4e-4*random.NormFloat64(),
			MassTransfer: 1e-5 + 1e-6*random.NormFloat64(), Efficiency: min(0.90+0.02*random.NormFloat64(), 1),
		}
		mol := (40 + 0.4*random.NormFloat64()) * volume / molar
		charge.add(4 * b.Time(mol, 0.05*mol, 4))
		deposit.add(b.Won(mol, 4, p.Goal.Duration.Value) * molar)
	}
	if got, want := p.Goal.Charge.StandardUncertainty, charge.deviation(); math.Abs(got/want-1) > 0.06 {
		t.Errorf("charge: standard uncertainty %.4g C, by sampling %.4g C", got, want)
	}
	if got, want := p.Goal.Deposit.StandardUncertainty, deposit.deviation(); math.Abs(got/want-1) > 0.06 {
		t.Errorf("deposit: standard uncertainty %.4g kg, by sampling %.4g kg", got, want)
	}
	if got := combined(p.Goal.Budget); got != p.Goal.Charge.StandardUncertainty {
		t.Errorf("the budget adds to %g, not %g", got, p.Goal.Charge.StandardUncertainty)
	}
}

type moments struct{ n, sum, squares float64 }

func (m *moments) add(x float64) { m.n, m.sum, m.squares = m.n+1, m.sum+x, m.squares+x*x }
func (m *moments) deviation() float64 {
	mean := m.sum / m.n
	return math.Sqrt((m.squares/m.n - mean*mean) * m.n / (m.n - 1))
}

// TestTradeUncertainty: with 1 % assay, 1.5 % volume and 92 ± 4 % the target is
// good to about 5 % (common practice, no source; 4/92 is 4.3 %, and the root of the squares 4.7 %).
func TestTradeUncertainty(t *testing.T) {
	o := zincOrder()
	o.Contents = Contents{Metal: "Cu", Medium: matter.Sulfate, Volume: matter.GivenFigure(2e-3, 0.03e-3), Concentration: matter.GivenFigure(40, 0.4)}
	o.Efficiency.Fraction = matter.GivenFigure(0.92, 0.04)
	if got := mustPlan(t, o).Goal.Charge.Relative(); math.Abs(got-0.047) > 0.001 {
		t.Errorf("the target is good to %.3g, want 0.047", got)
	}
}

// TestMeterShare: the offset alone is 60 mA·h in 12 h at any current (5 mA, half-width;
// common practice, derived), here as standard uncertainty, divided by the root of 3.
func TestMeterShare(t *testing.T) {
	o := zincOrder()
	o.Target = Target{Charge, given(36 * 3600)}
	o.Meter = Meter{OffsetAmperes: 0.005}
	p := mustPlan(t, o)
	if len(p.Goal.Budget) != 1 || p.Goal.Budget[0].Source != "meter" {
		t.Fatalf("budget %+v", p.Goal.Budget)
	}
	if got, want := p.Goal.Budget[0].Amount, 0.060*3600/math.Sqrt(3); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("meter %g C, want %g C", got, want)
	}
}

// TestTargetForms: each form, started from the answer of another, gives that answer back.
func TestTargetForms(t *testing.T) {
	for name, base := range map[string]Order{"fixed": zincOrder(), "two-stage": twoStageOrder()} {
		base.Conditions.CellVoltage = given(2.2)
		want := mustPlan(t, base)
		g := want.Goal
		forms := map[string]Target{
			"concentration": {Concentration, given(g.Left.Value)},
			"deposit":       {Deposit, given(g.Deposit.Value)},
			"thickness":     {Thickness, given(g.Deposit.Value / want.Metal.Density.Value / base.Conditions.CathodeArea.Value)},
			"charge":        {Charge, given(g.Charge.Value)},
		}
		if name == "two-stage" {
			joulesPerKilogram := 2.2 * 2 * matter.Faraday / (want.Metal.Element.Weight.Value * g.Marginal)
			forms["marginal"] = Target{Marginal, given(joulesPerKilogram)}
		}
		for form, target := range forms {
			o := base
			o.Target = target
			got := mustPlan(t, o)
			if math.Abs(got.Goal.Charge.Value/g.Charge.Value-1) > 1e-9 || math.Abs(got.Goal.Deposit.Value/g.Deposit.Value-1) > 1e-9 {
				t.Errorf("%s, %s: %.12g C and %.12g kg, want %.12g C and %.12g kg", name, form,
					got.Goal.Charge.Value, got.Goal.Deposit.Value, g.Charge.Value, g.Deposit.Value)
			}
			if left, _ := got.Remaining(base.Conditions.Current.Value); math.Abs(left/g.Charge.Value-1) > 1e-9 {
				t.Errorf("%s, %s: %.12g C remain at the beginning, want all %.12g C", name, form, left, g.Charge.Value)
			}
		}
	}
}

// TestStandingFollowsThePlan: stepped to its end at the planned current, the run
// is where the plan said it would be, and nothing remains.
func TestStandingFollowsThePlan(t *testing.T) {
	p := mustPlan(t, twoStageOrder())
	for range int(p.Goal.Duration.Value) {
		p.Model.Step(4, 1)
	}
	rest := p.Goal.Duration.Value - math.Floor(p.Goal.Duration.Value)
	p.Model.Step(4*rest, rest)
	s := p.Standing(4)
	for name, pair := range map[string][2]float64{
		"deposit": {s.Deposit, p.Goal.Deposit.Value}, "concentration": {s.Concentration, p.Goal.Left.Value},
		"recovered": {recovered(p), 0.95}, "overall": {s.Overall, p.Goal.Overall}, "marginal": {s.Marginal, p.Goal.Marginal},
		"load": {s.LoadRatio, p.Goal.RatioEnd}, "target": {s.TargetCharge, p.Goal.Charge.Value},
	} {
		if math.Abs(pair[0]/pair[1]-1) > 1e-8 {
			t.Errorf("%s: %.12g, planned %.12g", name, pair[0], pair[1])
		}
	}
	if s.Left > 1e-3*p.Goal.Charge.Value*1e-3 {
		t.Errorf("%g C are left at the end", s.Left)
	}
	if c, seconds := p.Remaining(0); c < 0 || (seconds != 0 && !math.IsInf(seconds, 1)) {
		t.Errorf("without current %g C and %g s are left", c, seconds)
	}
}

// TestCourse: the planned course begins at the bath, ends at the goal, and passes the shares of At.
func TestCourse(t *testing.T) {
	p := mustPlan(t, twoStageOrder())
	course := p.Course(101)
	first, last := course[0], course[100]
	if first.Deposit != 0 || math.Abs(first.Concentration-40) > 1e-9 || first.Overall != 0.95 {
		t.Errorf("begins at %+v", first)
	}
	if math.Abs(last.Deposit/p.Goal.Deposit.Value-1) > 1e-9 || math.Abs(last.Coulombs/p.Goal.Charge.Value-1) > 1e-12 || math.Abs(last.Overall/p.Goal.Overall-1) > 1e-9 {
		t.Errorf("ends at %+v, the goal is %+v", last, p.Goal)
	}
	for i := 1; i < len(course); i++ {
		a, b := course[i-1], course[i]
		if b.Concentration >= a.Concentration || b.Overall > a.Overall*(1+1e-12) || b.LoadRatio <= a.LoadRatio {
			t.Fatalf("the course turns back at point %d", i)
		}
	}
	if point, ok := p.At(0.9); !ok || math.Abs(point.Deposit/p.Amount.Value-0.9) > 1e-9 {
		t.Errorf("at 90 %%: %+v", point)
	}
	if _, ok := p.At(1); ok {
		t.Error("a two-stage drawdown never recovers everything")
	}
}

// TestMistakesAreSentences: every wrong order is answered by what is wrong and, where it helps, how to mend it.
func TestMistakesAreSentences(t *testing.T) {
	for name, test := range map[string]struct {
		change func(*Order)
		words  string
	}{
		"recovery over 100 %":   {func(o *Order) { o.Target.Value = given(1.1) }, "recover: it is 110 %, and no more can be recovered than there is"},
		"recovery zero":         {func(o *Order) { o.Target.Value = given(0) }, "recover: it is 0"},
		"efficiency over 100 %": {func(o *Order) { o.Efficiency.Fraction = given(1.2) }, "efficiency: it is 120 %, and no current deposits more than its charge allows"},
		"zero area":             {func(o *Order) { o.Conditions.CathodeArea = given(0) }, "cathode-area: it is 0; an area above zero"},
		"zero volume":           {func(o *Order) { o.Contents.Volume = given(0) }, "volume: it is 0; a volume above zero"},
		"no volume":             {func(o *Order) { o.Contents.Volume = matter.Figure{} }, "volume: it is missing"},
		"unknown element":       {func(o *Order) { o.Contents.Salts[0].Formula = "XxSO4" }, "salts[0].formula: formula \"XxSO4\": there is no element \"Xx\""},
		"no winnable metal":     {func(o *Order) { o.Contents.Salts[0].Formula = "KCl" }, "contains potassium, chlorine, and none of these deposits from water"},
		"carbon monoxide":       {func(o *Order) { o.Contents.Salts[0].Formula = "COCl2" }, "cobalt is written Co"},
		"two metals":            {func(o *Order) { o.Contents.Salts[0].Formula = "CuZn(SO4)2" }, "the salts hold Cu and Zn; say which one to recover"},
		"two salts, two metals": {func(o *Order) { o.Contents.Salts = append(o.Contents.Salts, Salt{Formula: "NiSO4", Mass: given(1)}) }, "the salts hold Zn and Ni; say which"},
		"wrong metal":           {func(o *Order) { o.Contents.Metal = "Cu" }, "ZnSO4·7H2O holds no copper"},
		"aluminium":             {func(o *Order) { o.Contents.Metal = "Al" }, "aluminium is not in the table of metals"},
		"nothing in the bath":   {func(o *Order) { o.Contents.Salts = nil; o.Contents.Metal = "Zn" }, "nothing says how much zinc there is"},
		"nothing at all":        {func(o *Order) { o.Contents.Salts = nil }, "metal: it is missing"},
		"stated twice":          {func(o *Order) { o.Contents.MetalMass = given(0.05) }, "the metal is stated in more than one way"},
		"mass and g/L":          {func(o *Order) { o.Contents.Salts[0].Concentration = given(5) }, "both mass and concentration"},
		"salt without mass":     {func(o *Order) { o.Contents.Salts[0].Mass = matter.Figure{} }, "neither mass nor concentration"},
		"assay over 100 %":      {func(o *Order) { o.Contents.Salts[0].Assay = given(1.02) }, "assay: it is 102 %"},
		"no target":             {func(o *Order) { o.Target = Target{} }, "it is missing"},
		"more than there is":    {func(o *Order) { o.Target = Target{Deposit, given(0.060)} }, "60 g are wanted, and the bath holds 56.8 g"},
		"not below":             {func(o *Order) { o.Target = Target{Concentration, given(70)} }, "not above 70 g/L"},
		"thickness, no area": {func(o *Order) {
			o.Target = Target{Thickness, given(1e-4)}
			o.Conditions.CathodeArea = matter.Figure{}
		}, "cathode-area: it is missing, and a thickness needs it"},
		"marginal, fixed":    {func(o *Order) { o.Target = Target{Marginal, given(1e7)} }, "with a fixed efficiency every gram costs the same"},
		"marginal, no volts": {func(o *Order) { o.Target = Target{Marginal, given(1e7)} }, "cell-voltage: it is missing"},
		"marginal too low": {func(o *Order) {
			o.Target = Target{Marginal, given(1e6)}
			o.Efficiency.Stirring = Bubble
			o.Conditions.CellVoltage = given(3.3)
		}, "even the first gram costs"},
		"stirring unknown": {func(o *Order) { o.Efficiency.Stirring = "wild" }, "one of still, bubble, forced"},
		"stirring twice": {func(o *Order) {
			o.Efficiency.Stirring = Bubble
			o.Efficiency.MassTransfer = given(1e-5)
		}, "both stirring and mass transfer"},
		"two-stage, no current": {func(o *Order) {
			o.Efficiency.Stirring = Bubble
			o.Conditions.Current = matter.Figure{}
		}, "current: it is missing, and a drawdown with mass transfer needs it"},
		"two-stage to the last trace": {func(o *Order) {
			o.Efficiency.Stirring = Bubble
			o.Target.Value = given(1)
		}, "the last trace never comes out"},
		"negative uncertainty": {func(o *Order) { o.Contents.Volume.StandardUncertainty = -1 }, "its uncertainty is -1"},
		"valence":              {func(o *Order) { o.Contents.Valence = 9 }, "valence: it is 9"},
		"medium":               {func(o *Order) { o.Contents.Medium = "beer" }, "medium: \"beer\" is unknown"},
		"no usual efficiency": {func(o *Order) {
			o.Efficiency = Efficiency{}
			o.Contents.Medium = matter.Fluoborate
		}, "none is usual for zinc"},
		"meter": {func(o *Order) { o.Meter.GainRelative = math.NaN() }, "meter:"},
	} {
		o := zincOrder()
		test.change(&o)
		p, err := NewPlan(o)
		if err == nil {
			t.Errorf("%s: planned %g C; want %q", name, p.Goal.Charge.Value, test.words)
			continue
		}
		if !strings.Contains(err.Error(), test.words) {
			t.Errorf("%s: %q does not say %q", name, err, test.words)
		}
		if len(Mistakes(err)) == 0 {
			t.Errorf("%s: the mistakes cannot be listed", name)
		}
	}
}

func TestAllMistakesAtOnce(t *testing.T) {
	o := zincOrder()
	o.Contents.Volume, o.Target.Value, o.Efficiency.Fraction = given(-1), given(2), given(3)
	_, err := NewPlan(o)
	var fields []string
	for _, m := range Mistakes(err) {
		fields = append(fields, m.Field)
	}
	if got := strings.Join(fields, " "); got != "volume efficiency target.recover" {
		t.Errorf("mistakes in %q", got)
	}
}

// TestPlanIsMonotonic: more salt, less efficiency or a higher wish never take less charge.
func TestPlanIsMonotonic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		charge := func(mass, efficiency, recover float64) float64 {
			o := twoStageOrder()
			o.Contents = Contents{Volume: given(1e-3), Salts: []Salt{{Formula: "CuSO4·5H2O", Mass: given(mass)}}}
			o.Efficiency.Fraction, o.Target.Value = given(efficiency), given(recover)
			p, err := NewPlan(o)
			if err != nil {
				t.Fatal(err)
			}
			if b := p.Goal; b.Low > b.Charge.Value || b.High < b.Charge.Value || b.Theoretical.Value > b.Charge.Value*(1+1e-9) {
				t.Fatalf("out of order: %+v", b)
			}
			return p.Goal.Charge.Value
		}
		mass, efficiency, share := rapid.Float64Range(0.01, 1).Draw(t, "mass"), rapid.Float64Range(0.1, 0.95).Draw(t, "efficiency"), rapid.Float64Range(0.05, 0.98).Draw(t, "share")
		base := charge(mass, efficiency, share)
		const round = 1 - 1e-9
		if charge(mass*1.1, efficiency, share) < base*round || charge(mass, efficiency*0.95, share) < base*round || charge(mass, efficiency, share*1.01) < base*round {
			t.Fatal("a larger wish takes less charge")
		}
	})
}

func TestNotesWarn(t *testing.T) {
	o := zincOrder()
	o.Target.Value = given(0.99)
	if p := mustPlan(t, o); !strings.Contains(strings.Join(p.Notes, " "), "fixed current efficiency is optimistic") {
		t.Errorf("notes %q", p.Notes)
	}
	o.Conditions.CathodeArea = matter.Figure{}
	if p := mustPlan(t, o); !strings.Contains(strings.Join(p.Notes, " "), "more than 90 %") {
		t.Errorf("without an area: notes %q", p.Notes)
	}
	// 500 A/m2 of zinc at 88 % need 0.88·500/(2F·1.05e-5) = 217 mol/m3 = 14 g/L under gas stirring.
	if p := mustPlan(t, zincOrder()); !strings.Contains(strings.Join(p.Notes, " "), "optimistic below about 14 g/L") {
		t.Errorf("9.5 g/L are left: notes %q", p.Notes)
	}
	o = zincOrder()
	o.Target.Value = given(0.5)
	if p := mustPlan(t, o); len(p.Notes) != 0 {
		t.Errorf("32 g/L are left: notes %q", p.Notes)
	}
	// Acid against zinc: 85 % of 0.966 mol/L leave twice that of acid, 1.6 mol/L against 0.14 mol/L of zinc.
	if p := mustPlan(t, zincOrder()); !strings.Contains(strings.Join(p.Notes, " "), "The current efficiency of zinc falls below 88 % once more than about 50 %") {
		t.Errorf("the acid is not told: notes %q", p.Notes)
	}
	o = zincOrder()
	o.Efficiency.MassTransfer = given(1e-3) // so well stirred that only the acid is left to lower it
	if p := mustPlan(t, o); !strings.Contains(strings.Join(p.Notes, " "), "acid builds up as zinc is depleted") {
		t.Errorf("an efficiency of the beginning alone: notes %q", p.Notes)
	}
	o = zincOrder()
	o.Contents = Contents{Metal: "Mn", Medium: matter.Sulfate, Volume: given(1e-3), Concentration: given(35)}
	o.Target.Value = given(0.44)
	if p := mustPlan(t, o); !strings.Contains(strings.Join(p.Notes, " "), "The current efficiency of manganese falls below 88 % once more than about 30 %") {
		t.Errorf("manganese: notes %q", p.Notes)
	}
	if p := mustPlan(t, twoStageOrder()); strings.Contains(strings.Join(p.Notes, " "), "The current efficiency of copper falls") {
		t.Errorf("copper: notes %q", p.Notes)
	}
	o = zincOrder()
	o.Target = Target{Charge, given(100 * 3600)}
	p := mustPlan(t, o)
	if !strings.Contains(strings.Join(p.Notes, " "), "only makes gas") || math.Abs(p.Goal.Recovered.Value-1) > 1e-12 {
		t.Errorf("notes %q, recovered %g", p.Notes, p.Goal.Recovered.Value)
	}
}

func BenchmarkNewPlan(b *testing.B) {
	o := twoStageOrder()
	b.ReportAllocs()
	for b.Loop() {
		if _, err := NewPlan(o); err != nil {
			b.Fatal(err)
		}
	}
}

// combined adds independent shares as JCGM 100 does: the root of the sum of squares.
func combined(shares []Share) float64 {
	var variance float64
	for _, s := range shares {
		variance += s.Amount * s.Amount
	}
	return math.Sqrt(variance)
}
