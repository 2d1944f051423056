package electrolysis

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Undivided zinc sulfate: each two electrons that plate zinc leave two H+. What is left is sulfuric acid as strong as the zinc that went, by an independent solution:
// the same totals put together by hand.
func TestAcidOfTheRunReachesThePH(t *testing.T) {
	c := zincCell(t)
	c.Separator = ""
	c.PH = matter.GivenFigure(4, 0.1)
	c.Efficiency = matter.GivenFigure(1, 0)
	gone := c.Concentration.Value - c.FinalConcentration.Value
	c.Charge = matter.GivenFigure(2*gone*c.Volume.Value*matter.Faraday, 0)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	e, err := solution.Solve(solution.Totals{"Zn+2": c.FinalConcentration.Value, "SO4-2": c.Concentration.Value, solution.H: 2 * gone}, matter.RoomTemperature, solution.Davies)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "pH at the end", a.Liquid.End.Value, e.PH, 0.01)
	if !(a.Liquid.End.Low <= a.Liquid.End.Value && a.Liquid.End.Value <= a.Liquid.End.High) {
		t.Errorf("the band %v is out of order", a.Liquid.End)
	}
}

// Behind a cation membrane acid crosses; a wide transport number must show as a wide band.
func TestSeparatorWidensThePH(t *testing.T) {
	c := zincCell(t)
	c.PH = matter.GivenFigure(4, 0.1)
	divided, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	c.Separator = ""
	undivided, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	width := func(b matter.Figure) float64 { return b.High - b.Low }
	if !(width(divided.Liquid.End) > width(undivided.Liquid.End)) {
		t.Errorf("divided %v is no wider than undivided %v", divided.Liquid.End, undivided.Liquid.End)
	}
	if !(divided.Liquid.AnolyteEnd.Value < 0.5) || divided.Liquid.AnolyteEnd.Mark == matter.Unmarked {
		t.Errorf("the anolyte ends at pH %v", divided.Liquid.AnolyteEnd)
	}
}

// Boric acid and ammonium hold the pH of a nickel bath no better than their pK allows; acetate does near 4.7. A bath with acetate ends higher.
func TestBufferHoldsThePH(t *testing.T) {
	nickel, err := matter.LookUp("Ni")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	bath := func(dissolved solution.Totals) Liquid {
		a, err := Assess(Conditions{Metal: nickel, Medium: matter.Sulfate, Current: given(2, 0), Charge: given(2*ampereHour, 0), Efficiency: given(0.95, 0.02),
			CathodeArea: given(1e-2, 0), Concentration: given(1000, 0), FinalConcentration: given(960, 0), Volume: given(1e-3, 0), PH: given(4.5, 0.1), Dissolved: dissolved})
		if err != nil {
			t.Fatal(err)
		}
		return a.Liquid
	}
	plain := bath(solution.Totals{"Ni+2": 1000, "SO4-2": 1000})
	buffered := bath(solution.Totals{"Ni+2": 1000, "SO4-2": 1000, "acetate-": 300})
	if !(buffered.End.Low > plain.End.High+0.3) {
		t.Errorf("pH %v with acetate, %v without", buffered.End, plain.End)
	}
}

// Ammonia binds zinc: OpenStax Chemistry 2e, Appendix L, gives -1.04 V for Zn(NH3)4 2+/Zn at 1 mol/L of all, some 0.28 V below the plain ion's.
func TestLigandsShiftThePotential(t *testing.T) {
	zinc, err := matter.LookUp("Zn")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	a, err := Assess(Conditions{Metal: zinc, Medium: matter.Ammine, Current: given(3, 0), Charge: given(100, 0), Efficiency: given(0.9, 0.02), CathodeArea: given(6e-3, 0),
		Concentration: given(1000, 0), FinalConcentration: given(999, 0), Volume: given(1e-3, 0), PH: given(11, 0.1), Dissolved: solution.Totals{"Zn+2": 1000, "NH3": 5000}})
	if err != nil {
		t.Fatal(err)
	}
	near(t, "zinc with 1 mol/L of free ammonia, V", a.Plating.MetalAtEnd.Value, -1.02, 0.04)
}

func TestAcidAndPHContradict(t *testing.T) {
	for _, separator := range []Separator{"", NoSeparator, Diaphragm, CationMembrane} {
		c := zincCell(t)
		c.Separator = separator
		c.PH, c.FreeAcid = matter.GivenFigure(5, 0), matter.GivenFigure(1000, 0)
		if _, err := Assess(c); err == nil || !strings.Contains(err.Error(), "pH 5 and free acid of 1 mol/L contradict") || strings.Contains(err.Error(), "anolyte") != (separator == Diaphragm || separator == CationMembrane) {
			t.Errorf("%q: pH 5 with 1 mol/L of acid: %v", separator, err)
		}
		c.PH = matter.GivenFigure(0.4, 0)
		if _, err := Assess(c); err != nil {
			t.Errorf("%q: pH 0.4 with 1 mol/L of acid: %v", separator, err)
		}
	}
}

// More charge makes an undivided acid bath more acid, never less, and the bounds hold the best.
func TestPHFallsWithCharge(t *testing.T) {
	cell := zincCell(t)
	rapid.Check(t, func(t *rapid.T) {
		c := cell
		c.Separator = ""
		c.PH = matter.GivenFigure(rapid.Float64Range(1, 5).Draw(t, "pH"), 0)
		c.FinalConcentration = c.Concentration
		last := math.Inf(1)
		for _, hours := range []float64{1, 5, 20, 60} {
			c.Charge = matter.GivenFigure(hours*ampereHour, 0)
			a, err := Assess(c)
			if err != nil {
				t.Fatal(err)
			}
			end := a.Liquid.End
			if end.Value > last+1e-9 || end.Low > end.Value+1e-9 || end.High < end.Value-1e-9 {
				t.Fatalf("after %g A·h pH %v, before %g", hours, end, last)
			}
			last = end.Value
		}
	})
}

// What is not known of the pH at the start is not known of the end either.
func TestDoubtOfTheStartReachesTheEnd(t *testing.T) {
	c := zincCell(t)
	c.Separator, c.Charge = "", matter.GivenFigure(ampereHour, 0)
	width := func(u float64) float64 {
		c.PH = matter.GivenFigure(1, u)
		a, err := Assess(c)
		if err != nil {
			t.Fatal(err)
		}
		return a.Liquid.End.High - a.Liquid.End.Low
	}
	if !(width(0.3) > width(0)+0.3) {
		t.Errorf("width %.2f without doubt of the start, %.2f with 0.3", width(0), width(0.3))
	}
}

// What the salts bring tells the pH: 3 mol/L of caustic less the 0.4 that zincate binds, 0.1 mol/L of each ammonia and ammonium sulfate's
// pair near pK 9.24 (NIST 46), and sulfuric acid as if it were stated as acid. Zinc oxide alone tells nothing in an acid medium.
func TestSaltsTellThePH(t *testing.T) {
	for name, c := range map[string]struct {
		medium    matter.Medium
		dissolved solution.Totals
		low, high float64
		source    string
	}{
		"caustic": {matter.Alkaline, solution.Totals{"Zn+2": 100, solution.H: -3200}, 14, 15, "salts bring"},
		"ammonia": {matter.Ammine, solution.Totals{"Zn+2": 10, "SO4-2": 1010, "NH3": 4040, solution.H: 2000}, 8.9, 9.8, "salts bring"},
		"acid":    {matter.Sulfate, solution.Totals{"Zn+2": 900, "SO4-2": 1400, solution.H: 1000}, 0, 0.8, "salts bring"},
		"oxide":   {matter.Sulfate, solution.Totals{"Zn+2": 900, solution.H: -1800}, -1, 3, "usual window"},
		"no acid": {matter.Sulfate, solution.Totals{"Zn+2": 900, "SO4-2": 900}, -1, 3, "usual window"},
	} {
		cell := zincCell(t)
		cell.Separator, cell.Medium, cell.Dissolved = "", c.medium, c.dissolved
		cell.Concentration, cell.FinalConcentration = matter.GivenFigure(c.dissolved["Zn+2"], 0), matter.GivenFigure(c.dissolved["Zn+2"]/2, 0)
		a := assessed(t, cell)
		if pH := a.Conditions.PH; pH.Value < c.low || pH.Value > c.high || !strings.Contains(pH.Source, c.source) {
			t.Errorf("%s: %+v", name, pH)
		}
		if name == "ammonia" && a.Plating.HydroxidePH.Known() {
			t.Errorf("ammonia holds zinc, and hydroxide is told at %+v", a.Plating.HydroxidePH)
		}
	}
}

// A divided manganese cell that makes anything from little to much hydrogen ends anywhere: the plan says that it cannot tell.
func TestAnEndThatCannotBePredictedIsSaid(t *testing.T) {
	c := zincCell(t)
	c.PH = matter.GivenFigure(4, 0.1)
	const said = "cannot be predicted"
	told := func() bool {
		a, err := Assess(c)
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range append(a.Dangers, a.Cautions...) {
			if strings.Contains(text, said) {
				return true
			}
		}
		return false
	}
	c.Separator = ""
	if told() {
		t.Error("an acid undivided bath can be predicted")
	}
	c.Separator, c.Efficiency = Diaphragm, matter.GivenFigure(0.5, 0.24)
	if !told() {
		t.Error("nothing said of a band of many pH units")
	}
}

// TestStatedAcidIsNotUsedUp: 3 mol of acid in a litre does not become alkali by the 0.2 mol that hydrogen may take.
func TestStatedAcidIsNotUsedUp(t *testing.T) {
	antimony, err := matter.LookUp("Sb")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	a := assessed(t, Conditions{Metal: antimony, Medium: matter.Chloride, Current: given(1, 0), Charge: given(12*ampereHour, 0), Efficiency: given(0.75, 0.08),
		CathodeArea: given(60e-4, 0), Concentration: given(220, 0), FinalConcentration: given(110, 0), Volume: given(1e-3, 0), FreeAcid: given(3000, 0)})
	if end := a.Liquid.End; !a.Liquid.Known() || end.High > 2 {
		t.Errorf("%+v", end)
	}
}

// TestMetalThatStaysHoldsThePH: the efficiency that makes the most base also leaves the most metal, and as long as that falls as hydroxide the
// pH stands near its onset: Fe(OH)2 + 2H+ = Fe2+ + 2H2O, log K 13.564 (NIST Standard Reference Database 46, as minteq.v4.dat reprints it), is
// (13.564 - log 0.54)/2 = pH 6.9, and 7.9 when a hundredth of it is left.
func TestMetalThatStaysHoldsThePH(t *testing.T) {
	iron, err := matter.LookUp("Fe")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	efficiency := matter.Figure{Value: 0.53, StandardUncertainty: 0.18, Low: 0.3, High: 0.95, Mark: matter.Assumed}
	a := assessed(t, Conditions{Metal: iron, Medium: matter.Sulfate, Current: given(3, 0), Charge: given(54*ampereHour, 0), Efficiency: efficiency,
		CathodeArea: given(80e-4, 0), Concentration: given(1080, 0), FinalConcentration: given(540, 0), Volume: given(1e-3, 0)})
	if divided := a.Liquid.IfDivided; divided.Mark == matter.Unmarked || divided.High > 9 {
		t.Errorf("divided, with iron left to fall: %+v", divided)
	}
	best, least, most := a.gains()
	near(t, "mol/m3 of iron gone at 30 %, by hand", least.gone, best.gone-(0.53-0.3)*54*ampereHour/(2*96485.33)/1e-3, 1e-2)
	near(t, "no more is gone than there was", most.gone, math.Min(1080, best.gone+(0.95-0.53)*54*ampereHour/(2*96485.33)/1e-3), 1e-2)
}
