package plan_test

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

func given(v float64) matter.Figure { return matter.GivenFigure(v, 0) }

// zinc is 250 g of zinc sulfate heptahydrate in 0.9 L, 85 % of it wanted at 88 %, 3 A on 60 cm2.
func zinc() plan.Order {
	return plan.Order{
		Bath: bath.Order{
			Contents:   bath.Contents{Volume: given(0.9e-3), Metal: "Zn", Salts: []bath.Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.25)}}},
			Target:     bath.Target{Form: bath.Recover, Value: given(0.85)},
			Efficiency: bath.Efficiency{Fraction: given(0.88)},
			Conditions: bath.Conditions{Current: given(3), CathodeArea: given(60e-4)},
		},
		Cell: electrolysis.Conditions{Cathode: "aluminium", Separator: electrolysis.Diaphragm},
	}
}

func made(t *testing.T, o plan.Order) *plan.Plan {
	t.Helper()
	p, err := plan.New(o)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got/want-1) <= relative) {
		t.Errorf("%s is %g, by hand %g", what, got, want)
	}
}

// TestFollows checks by hand, with CIAAW weights and CODATA's F, what follows from the zinc of the example: 56.84 g in
// the bath, 45.02 A·h, 48.32 g on the cathode; solid zinc is 7140 kg/m3 (the table of metals has its source).
func TestFollows(t *testing.T) {
	p := made(t, zinc())
	const metal, charge, deposit = 0.25 * 65.38 / 287.541, 162057.0, 0.0483175
	near(t, "concentration", p.Concentration().Value, metal/0.9e-3, 1e-4)
	near(t, "load", p.Load().Value, charge/0.9e-3, 1e-4)
	near(t, "charge per kilogram", p.PerMass().Value, 2*96485.33212/0.06538, 1e-6)
	near(t, "growth", p.Growth().Value, 500*0.88*0.06538/(2*96485.33212)/p.Bath.Metal.Density.Value, 1e-6)
	near(t, "thickness", p.Thickness().Value, deposit/p.Bath.Metal.Density.Value/60e-4, 1e-4)
	near(t, "hydrogen at the end", p.HydrogenAtEnd().Value, 3*0.448765e-3/3600*(1-0.88), 1e-5) // 0.448765 L/A·h at 20 °C: RT/(2Fp)
	near(t, "doubt of the concentration", p.Concentration().Relative(), math.Hypot(p.Bath.Amount.Relative(), bath.VolumeDoubt), 1e-9)
	if p.Fades() || p.MakesChlorine() || p.Hot() || p.SolubleAnode() || len(p.Bath.Others) > 0 {
		t.Error("a fixed efficiency fades, a sulfate bath makes chlorine, 3 A heat it to 50 °C, its anode dissolves or there is another metal")
	}
	if h := p.Hold(); math.Abs(h.Value-0.3) > 1e-12 || h.Mark != matter.Assumed {
		t.Errorf("hold current %+v", h)
	}
}

// TestAssumes: the current from the area and back by the middle of the usual density, in doubt by half its width; and
// never where the answer itself would rest on it.
func TestAssumes(t *testing.T) {
	o := zinc()
	o.Bath.Conditions.Current = matter.Figure{}
	p := made(t, o)
	usual := p.Window().CurrentDensity
	got := p.Order.Bath.Conditions.Current
	near(t, "current", got.Value, 60e-4*usual.Middle(), 1e-12)
	near(t, "its doubt", got.Relative(), math.Max(0.2, (usual.High-usual.Low)/2/usual.Middle())/math.Sqrt(3), 1e-9)
	if len(p.Assumed) != 2 || p.Assumed[0].What != plan.Current || p.Assumed[1].What != plan.Assay || p.Assumed[1].Salt != "ZnSO4·7H2O" || p.Bath.Goal.Duration.Mark != matter.Assumed {
		t.Errorf("%+v", p.Assumed)
	}
	o = zinc()
	o.Bath.Conditions.CathodeArea, o.Bath.Target = matter.Figure{}, bath.Target{Form: bath.Thickness, Value: given(1e-4)}
	if _, err := plan.New(o); err == nil || bath.Mistakes(err)[0].Field != "cathode-area" {
		t.Errorf("a thickness on a guessed area: %v", err)
	}
	o = zinc()
	o.Bath.Conditions = bath.Conditions{}
	if p := made(t, o); p.Assessed != nil || p.Bath.Goal.Duration.Known() || p.Growth().Known() || p.Thickness().Known() || p.Hold().Known() {
		t.Error("without current and area something is said of them")
	}
	o.HoldAmperes = 0.2
	if h := made(t, o).Hold(); h.Value != 0.2 || h.Mark != matter.Given {
		t.Errorf("the stated hold current is %+v", h)
	}
}

// TestJudgedByTheWholeRun: where metal gets scarce, what the cell is judged by is the efficiency of the whole run and what is left at its
// end, not those of the beginning.
func TestJudgedByTheWholeRun(t *testing.T) {
	o := zinc()
	o.Bath.Contents = bath.Contents{Metal: "Cu", Medium: "sulfate", Volume: given(2e-3), Concentration: given(40)}
	o.Bath.Target = bath.Target{Form: bath.Concentration, Value: given(2)}
	o.Bath.Efficiency = bath.Efficiency{Fraction: given(0.95), MassTransfer: given(1e-5)}
	o.Bath.Conditions = bath.Conditions{Current: given(4), CathodeArea: given(2e-2)}
	p := made(t, o)
	if !p.Fades() {
		t.Errorf("%+v", p.Bath.MassTransfer)
	}
	c, molar := p.Assessed.Conditions, p.Bath.Metal.Element.Weight.Value
	near(t, "efficiency judged by", c.Efficiency.Value, p.Bath.Goal.Overall, 1e-12)
	near(t, "concentration at the end", c.FinalConcentration.Value, 2/molar, 1e-9)
	if !(p.Bath.Goal.Overall < 0.94) {
		t.Errorf("the efficiency does not fall: %g", p.Bath.Goal.Overall)
	}
}

// TestTapers: without transfer there is nothing to taper.
func TestTapers(t *testing.T) {
	p := made(t, zinc())
	if _, err := p.Taper(0.5); err == nil {
		t.Error("a taper without a mass transfer")
	}
	o := zinc()
	o.Bath.Efficiency.MassTransfer = given(1e-5)
	taper, err := made(t, o).Taper(0.5)
	if err != nil || len(taper.Settings) < 2 || taper.Settings[0].Amperes > 3 {
		t.Errorf("%+v, %v", taper, err)
	}
}

// TestOthers: copper in the bath is nobler and comes with the zinc, manganese stays, iron is the anomalous one. By hand:
// E = 0.337 + 0.01285·ln c and -0.762 + 0.01285·ln c differ by 1.05 V at the concentrations here (Appendix L of OpenStax
// Chemistry 2e).
func TestOthers(t *testing.T) {
	o := zinc()
	for _, formula := range []string{"CuSO4", "MnSO4", "FeSO4"} {
		o.Bath.Contents.Salts = append(o.Bath.Contents.Salts, bath.Salt{Formula: formula, Mass: given(1e-3)})
	}
	p := made(t, o)
	come := map[string]bool{}
	for _, other := range p.ComeWithIt() {
		come[other.Metal.String()] = true
	}
	if !come["Cu"] || !come["Fe"] || come["Mn"] {
		t.Errorf("with it come %v", come)
	}
	alike := zinc() // nickel and cobalt are 0.02 V apart there, nobody can tell which is the nobler
	alike.Bath.Contents.Metal, alike.Bath.Contents.Salts = "Ni", []bath.Salt{{Formula: "NiSO4", Mass: given(0.1)}, {Formula: "CoSO4", Mass: given(0.1)}}
	if q := made(t, alike); len(q.ComeWithIt()) != 1 {
		t.Error("cobalt does not come with nickel")
	} else if _, by, _ := q.Nobler(q.Bath.Others[0]); math.Abs(by) > plan.AboutAsNoble {
		t.Errorf("cobalt is nobler by %g V", by)
	}
	for _, other := range p.Bath.Others {
		_, by, ok := p.Nobler(other)
		if symbol := other.Metal.String(); !ok || symbol == "Cu" && math.Abs(by-1.04) > 0.03 || p.Anomalous(other) != (symbol == "Fe") {
			t.Errorf("%s is nobler by %g V, anomalous %v", symbol, by, p.Anomalous(other))
		}
	}
}

// TestVerdict: the condition that costs most stands first, with what to do; a stated efficiency needs none.
func TestVerdict(t *testing.T) {
	o := zinc()
	if v := made(t, o).Verdict(); !strings.HasPrefix(v, "Yes: ") {
		t.Errorf("%q", v)
	}
	o.Bath.Efficiency = bath.Efficiency{}
	if v := made(t, o).Verdict(); !strings.HasPrefix(v, "Only if you take out what is nobler than the metal: else the efficiency may be as low as 40 %") {
		t.Errorf("%q", v)
	}
	o.Bath.Contents.Purified = true
	if v := made(t, o).Verdict(); strings.Contains(v, "Only if") {
		t.Errorf("%q", v)
	}
}

// TestNoPromiseBesideTheCautions: what a nickel bath without a buffer wins goes down to what its end pH leaves, and what stays in it up by as much;
// zinc, which acid takes little from, keeps its doubt.
func TestNoPromiseBesideTheCautions(t *testing.T) {
	o := zinc()
	o.Cell, o.Bath.Contents.Metal = electrolysis.Conditions{}, "Ni"
	o.Bath.Contents.Salts[0].Formula, o.Bath.Target.Value = "NiSO4·6H2O", given(0.4)
	p := made(t, o)
	g, a := p.Bath.Goal, p.Assessed
	share := a.Plating.Lowest.Value / a.Conditions.Efficiency.Value
	near(t, "kg at least", g.Deposit.Low, g.Deposit.Value*share, 1e-12)
	near(t, "share at least", g.Recovered.Low, g.Recovered.Value*share, 1e-12)
	near(t, "kg of metal of the corner", g.Deposit.Low+g.Left.High*p.Bath.Volume.Value, g.Deposit.Value+g.Left.Value*p.Bath.Volume.Value, 1e-12)
	if !(share < 0.5) || g.Deposit.Mark != matter.Assumed || !strings.HasPrefix(p.Verdict(), "Only if") {
		t.Errorf("%g, %+v, %q", share, g.Deposit, p.Verdict())
	}
	if g := made(t, zinc()).Bath.Goal; g.Deposit.Skewed() {
		t.Errorf("zinc: %+v", g.Deposit)
	}
}
