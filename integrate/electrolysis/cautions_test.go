package electrolysis

import (
	"strings"
	"testing"

	"nightcell/integrate/matter"
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
	c.FreeAcid = matter.GivenFigure(2000, 10)
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
		if got := strings.Contains(strings.Join(a.Cautions, "\n"), "nitrogen trichloride"); got != test.want {
			t.Errorf("%s, ammonium %v: caution %v", test.medium, test.ammonium, got)
		}
	}
}

// TestChromicBath: chromium(VI) is an anion that no alkali throws down as chromium(III) hydroxide, and at
// 15 % efficiency nobody says that the metal plates first.
func TestChromicBath(t *testing.T) {
	c := zincCell(t)
	c.Metal, _ = matter.LookUp("Cr")
	c.Medium, c.Efficiency = matter.Chromic, matter.GivenFigure(0.15, 0.03)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	if a.Plating.HydroxidePH.Known() || !strings.HasPrefix(a.Plating.Verdict, "On paper") {
		t.Errorf("%+v, %q", a.Plating.HydroxidePH, a.Plating.Verdict)
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
	near(t, "W", a.Heat.Power.Value, 3*(a.Voltage.Best-leads.Best-a.Heat.Thermoneutral.Value), 1e-9)
}
