package electrolysis

import (
	"strings"
	"testing"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// TestChlorineAnodeHasNoAcidToCross: a chlorine anode makes no acid, so what crosses is bound by what the anolyte
// holds: at pH 2 in 0.9 L that is 9 mmol, however much charge passes (chemistry, no source needed).
func TestChlorineAnodeHasNoAcidToCross(t *testing.T) {
	c := zincCell(t)
	c.Medium, c.Anode, c.Separator = matter.Chloride, "graphite", AnionMembrane
	c.PH, c.AnolytePH, c.Anolyte = matter.GivenFigure(4, 0.1), matter.GivenFigure(2, 0.1), matter.GivenFigure(0.9e-3, 1e-5)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "mol of H⁺ lost by the anolyte at most", -a.Acid.Anolyte.Low, 9e-3, 1e-9)
	if !strings.Contains(a.Acid.Anolyte.Source, "no more than the anolyte holds") {
		t.Errorf("%q", a.Acid.Anolyte.Source)
	}
	// What is titratable counts when it is stated: 2 mol/L of hydrochloric acid in 0.9 L do not bind the leak.
	c.PH, c.FreeAcid = matter.Figure{}, matter.GivenFigure(2000, 10)
	if a, err = Assess(c); err != nil || a.Acid.Anolyte.Low > -0.3 {
		t.Errorf("from 2 mol/L: %+v, %v", a.Acid.Anolyte, err)
	}
	// An oxygen anode makes one H⁺ per electron: nothing is bound.
	before, err := Assess(zincCell(t))
	if err != nil || strings.Contains(before.Acid.Anolyte.Source, "no more than") {
		t.Errorf("%q, %v", before.Acid.Anolyte.Source, err)
	}
}

// TestOtherMetalsAtTheAnode: ferrous iron of a pickle lets current through from 0.771 V (OpenStax Chemistry 2e,
// Appendix L), so that the floor of a zinc bath with iron in it is lower by the 0.46 V to oxygen at pH 0.
func TestOtherMetalsAtTheAnode(t *testing.T) {
	c := zincCell(t)
	c.Temperature = matter.GivenFigure(matter.RoomTemperature, 1)
	clean, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	c.Others = []string{"Fe"}
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "V of floor lost", clean.Floor.Metal-a.Floor.Metal, 1.229-0.771, 1e-9)
	near(t, "expected reaction stays", a.Floor.Expected, clean.Floor.Expected, 1e-12)
	if a.Floor.Reaction != "ferric from ferrous" {
		t.Error(a.Floor.Reaction)
	}
}

// TestAmmoniumAndChlorine: the caution comes with both, and with neither alone.
func TestAmmoniumAndChlorine(t *testing.T) {
	for _, test := range []struct {
		medium   matter.Medium
		ammonium bool
		want     bool
	}{{matter.Chloride, true, true}, {matter.Chloride, false, false}, {matter.Sulfate, true, false}} {
		c := zincCell(t)
		c.Medium, c.Ammonium = test.medium, test.ammonium
		a, err := Assess(c)
		if err != nil {
			t.Fatal(err)
		}
		if got := strings.Contains(strings.Join(a.Dangers, "\n"), "nitrogen trichloride"); got != test.want {
			t.Errorf("%s, ammonium %v: caution %v", test.medium, test.ammonium, got)
		}
	}
}

// TestChromicBath: chromium(VI) is an anion that no alkali throws down as chromium(III) hydroxide, and at
// 15 % efficiency nobody says that the metal plates first. Without a catalyst the verdict itself says so, since no chromium comes.
func TestChromicBath(t *testing.T) {
	c := zincCell(t)
	c.Metal, _ = matter.LookUp("Cr")
	c.Medium, c.Efficiency = matter.Chromic, matter.GivenFigure(0.15, 0.03)
	for _, test := range []struct {
		catalyst solution.Totals
		verdict  string
	}{{solution.Totals{"SO4-2": 10}, "On paper"}, {solution.Totals{"F-": 10}, "On paper"}, {nil, "Only if you add the catalyst"}} {
		c.Dissolved = test.catalyst
		if p := assessed(t, c).Plating; p.Lowest.Known() != (test.catalyst == nil) || p.Lowest.Value != 0 || p.HydroxidePH.Known() || !strings.HasPrefix(p.Verdict, test.verdict) {
			t.Errorf("%v: %+v, %q", test.catalyst, p.HydroxidePH, p.Verdict)
		}
	}
}

// TestLeadsDoNotWarmTheBath: of the expected voltage at the supply the leads' part is lost outside (Joule).
func TestLeadsDoNotWarmTheBath(t *testing.T) {
	a, err := Assess(zincCell(t))
	if err != nil {
		t.Fatal(err)
	}
	leads := a.Parts[len(a.Parts)-1]
	if leads.Name != leadsPart {
		t.Fatal(leads.Name)
	}
	near(t, "W", a.Heat.Power.Value, 3*(a.Voltage.Value-leads.Value-a.Heat.Thermoneutral.Value), 1e-9)
}

// TestAnolyteOfItsOwn: sulfuric acid behind a cation membrane makes oxygen and sulfuric acid, and chlorine is no more
// than possible; the floor of oxygen at pH 0 is 1.229 V (OpenStax Chemistry 2e, Appendix L).
func TestAnolyteOfItsOwn(t *testing.T) {
	c := zincCell(t)
	c.Medium, c.AnolyteMedium, c.Separator, c.Anode = matter.Chloride, matter.Sulfate, CationMembrane, "lead"
	c.Temperature = matter.GivenFigure(matter.RoomTemperature, 1)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	if a.Anode[0].Gas != Oxygen || a.Anode[1].Gas != Chlorine || a.Anode[1].Expected {
		t.Errorf("%+v", a.Anode)
	}
	near(t, "V, oxygen at pH 0 less zinc", a.Floor.Expected, 1.229-a.Plating.Metal.Value, 1e-9)
	near(t, "kg of sulfuric acid", a.Acid.AnolyteMass.Value, a.Acid.Anolyte.Value/2*98.07e-3, 1e-5)
	said := strings.Join(a.Cautions, "\n")
	if !strings.Contains(said, "The membrane keeps most of the chloride from the anode") || strings.Contains(said, "Lead dissolves in chloride") || !strings.Contains(strings.Join(a.Dangers, "\n"), "can come off at this anode and is poisonous") {
		t.Error(said)
	}
	c.Separator = AnionMembrane
	if a, err = Assess(c); err != nil || !strings.Contains(strings.Join(a.Cautions, "\n"), "chlorine follows within hours") {
		t.Errorf("anion membrane: %v", err)
	}
	c.Separator = NoSeparator
	if _, err := Assess(c); err == nil || !strings.Contains(err.Error(), "that needs a separator") {
		t.Errorf("%v", err)
	}
	c.Separator, c.AnolyteMedium = Diaphragm, "soup"
	if _, err := Assess(c); err == nil || !strings.Contains(err.Error(), `anolyte medium "soup" is unknown`) {
		t.Errorf("%v", err)
	}
}
