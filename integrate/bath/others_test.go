package bath

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// TestSaltsOfOtherMetals: a spent pickle holds zinc and iron; once the metal is named, the iron is
// told with its amount and moves no charge. CIAAW 2021 abridged weights and CODATA: 90 g of FeCl2 hold
// 90 × 55.845/126.745 = 39.65 g of iron, which is 38.06 A·h at two electrons.
func TestSaltsOfOtherMetals(t *testing.T) {
	pickle := func() Order {
		o := zincOrder()
		o.Contents.Metal = "Zn"
		o.Contents.Salts = []Salt{{Formula: "FeCl2", Mass: given(0.090)}, {Formula: "ZnCl2", Mass: given(0.060)}}
		return o
	}
	p := mustPlan(t, pickle())
	alone := pickle()
	alone.Contents.Salts = alone.Contents.Salts[1:]
	if without := mustPlan(t, alone); p.Goal.Charge.Value != without.Goal.Charge.Value || p.Medium != matter.Chloride {
		t.Errorf("iron moved the charge of zinc: %+v, without it %+v", p.Goal.Charge, without.Goal.Charge)
	}
	if len(p.Others) != 1 || p.Others[0].Metal.String() != "Fe" {
		t.Fatalf("%+v", p.Others)
	}
	iron := p.Others[0]
	if math.Abs(iron.Amount.Value-0.03965) > 1e-5 || math.Abs(iron.Charge.Value/3600-38.06) > 0.02 {
		t.Errorf("iron %.5f kg, %.2f A·h", iron.Amount.Value, iron.Charge.Value/3600)
	}
	if u := iron.Amount.Relative(); math.Abs(u-math.Hypot(AssayDoubt, BalanceDoubt)) > 1e-4 || iron.Amount.Mark != matter.Assumed {
		t.Errorf("iron ± %g, %v: assay and balance, the assay assumed", u, iron.Amount.Mark)
	}
	if notes := strings.Join(p.Notes, "\n"); !strings.Contains(notes, "FeCl2 adds iron, which can plate too: the charge is that of zinc alone") {
		t.Errorf("%q", notes)
	}
	// One salt with both metals, and the metal stated apart.
	o := zincOrder()
	o.Contents.Metal = "Zn"
	o.Contents.Salts[0].Formula = "CuZn(SO4)2"
	if p := mustPlan(t, o); len(p.Others) != 1 || p.Others[0].Metal.String() != "Cu" {
		t.Errorf("%+v", p.Others)
	}
	o = pickle()
	o.Contents.Concentration = matter.GivenFigure(60, 0)
	o.Contents.Salts = o.Contents.Salts[:1]
	if p := mustPlan(t, o); len(p.Others) != 1 || math.Abs(p.Amount.Value-60*o.Contents.Volume.Value) > 1e-12 {
		t.Errorf("%+v, %g kg", p.Others, p.Amount.Value)
	}
	o.Contents.Salts[0].Mass = matter.Figure{}
	if _, err := NewPlan(o); err == nil || !strings.Contains(err.Error(), "neither mass nor concentration of FeCl2 is stated") {
		t.Errorf("%v", err)
	}
}

// TestChlorideOfTheSalts: 136.28 g/mol of ZnCl2 and 58.44 g/mol of NaCl in 0.9 L, by hand, and 1 mol/L
// for the potassium chloride of which nobody says how much there is.
func TestChlorideOfTheSalts(t *testing.T) {
	o := zincOrder()
	o.Contents.Salts = []Salt{{Formula: "ZnCl2", Mass: given(0.13628)}, {Formula: "NaCl", Concentration: given(58.44)}, {Formula: "NaClO4", Mass: given(1)}, {Formula: "KCl"}}
	p := mustPlan(t, o)
	if want := 2/0.9e-3 + 1000 + 1000; p.Chloride.Mark != matter.Assumed || math.Abs(p.Chloride.Value/want-1) > 1e-3 {
		t.Errorf("%g mol/m3 of chloride, want %g", p.Chloride.Value, want)
	}
	if p := mustPlan(t, zincOrder()); p.Chloride.Known() {
		t.Errorf("%+v in a sulfate bath", p.Chloride)
	}
}

// TestSaltsInAnotherState: the charge is counted from the state in the table; a salt in another is told.
func TestSaltsInAnotherState(t *testing.T) {
	for formula, words := range map[string]string{
		"FeCl3":      "FeCl3 contains iron(III), and the charge is that of 2 electrons per atom: reduce it before the run, or it takes 1.5 times that charge",
		"SnCl4":      "tin(IV), and the charge is that of 2 electrons per atom",
		"Fe3O4":      "iron(2.7 on average)",
		"ZnSO4·7H2O": "",
		"Na2SnO3":    "",
	} {
		o := zincOrder()
		o.Contents.Salts[0].Formula = formula
		notes := strings.Join(mustPlan(t, o).Notes, "\n")
		if words == "" && strings.Contains(notes, "electrons per atom") || !strings.Contains(notes, words) {
			t.Errorf("%s: %q, want %q", formula, notes, words)
		}
	}
	o := zincOrder()
	o.Contents.Salts[0].Formula = "CuCl"
	if notes := strings.Join(mustPlan(t, o).Notes, "\n"); !strings.Contains(notes, "copper(I)") || !strings.Contains(notes, "0.5 times that charge") {
		t.Errorf("%q", notes)
	}
	o.Contents.Valence = 1
	if p := mustPlan(t, o); p.Valence != 1 || strings.Contains(strings.Join(p.Notes, "\n"), "electrons per atom") {
		t.Errorf("valence %d, %q", p.Valence, p.Notes)
	}
	o = zincOrder()
	o.Contents.Salts[0].Formula, o.Efficiency.Fraction = "ZnO", matter.Figure{}
	if p := mustPlan(t, o); p.Medium != matter.Sulfate || o.Contents.MediumTold() != matter.Sulfate || !strings.Contains(strings.Join(p.Notes, "\n"), "the medium is not stated: sulfate is taken") {
		t.Errorf("zinc oxide in an unstated medium: %q, %q", p.Medium, p.Notes)
	}
	o.Contents.Salts[0].Formula, o.Contents.Metal = "Na3SbS4", "Sb"
	if got := o.Contents.MediumTold(); got != matter.Sulfide {
		t.Errorf("a thiosalt goes into %q", got)
	}
}
