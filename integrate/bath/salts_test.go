package bath

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// TestSupportingElectrolyte: a salt without the metal is a word in the plan and moves
// neither charge nor medium; only where no salt holds the metal is it a mistake.
func TestSupportingElectrolyte(t *testing.T) {
	alone := mustPlan(t, zincOrder())
	for name, test := range map[string]struct {
		change func(*Order)
		words  string
	}{
		"sodium sulfate": {func(o *Order) { o.Contents.Salts = append(o.Contents.Salts, Salt{Formula: "Na2SO4"}) }, "Na2SO4 contains no zinc: taken as supporting electrolyte"},
		"before the zinc, with its mass": {func(o *Order) {
			o.Contents.Salts = []Salt{{Formula: "(NH4)2SO4", Mass: given(0.1)}, o.Contents.Salts[0]}
		}, "(NH4)2SO4 contains no zinc"},
		"boric acid":           {func(o *Order) { o.Contents.Salts = append(o.Contents.Salts, Salt{Formula: "H3BO3", Mass: given(0.03)}) }, "H3BO3 contains no zinc"},
		"common salt in front": {func(o *Order) { o.Contents.Salts = []Salt{{Formula: "NaCl"}, o.Contents.Salts[0]} }, "chlorine can come off at the anode"},
		"a shout":              {func(o *Order) { o.Contents.Salts = append(o.Contents.Salts, Salt{Formula: "COSO4"}) }, "(cobalt is written Co)"},
	} {
		o := zincOrder()
		test.change(&o)
		p := mustPlan(t, o)
		if p.Goal.Charge != alone.Goal.Charge || p.Medium != matter.Sulfate || p.Metal.String() != "Zn" {
			t.Errorf("%s: %+v of %s in %s, without it %+v", name, p.Goal.Charge, p.Metal, p.Medium, alone.Goal.Charge)
		}
		if notes := strings.Join(p.Notes, "\n"); !strings.Contains(notes, test.words) {
			t.Errorf("%s: %q does not say %q", name, notes, test.words)
		}
	}
	o := twoStageOrder()
	o.Contents.Salts = []Salt{{Formula: "H2SO4", Mass: given(0.2)}}
	if p := mustPlan(t, o); math.Abs(p.Amount.Value-0.080) > 1e-12 || !strings.Contains(strings.Join(p.Notes, " "), "H2SO4 contains no copper") {
		t.Errorf("beside a stated concentration: %g kg, %q", p.Amount.Value, p.Notes)
	}
	o = zincOrder()
	o.Contents.Salts = []Salt{{Formula: "Na2SO4"}, {Formula: "H3BO3"}}
	if _, err := NewPlan(o); err == nil || len(Mistakes(err)) != 2 {
		t.Errorf("no salt of a metal at all: %v", err)
	}
}

// TestPercent: all is 100, not 1e+02.
func TestPercent(t *testing.T) {
	for share, want := range map[float64]string{1: "100", 0.996: "100", 0.859: "86", 0.005: "0.5", 0.03: "3"} {
		if got := percent(share); got != want {
			t.Errorf("%g: %s, want %s", share, got, want)
		}
	}
}

// TestUnknownValence: a valence that the table does not have is one sentence, not a plan that cannot be judged.
func TestUnknownValence(t *testing.T) {
	o := zincOrder()
	o.Contents.Valence = 1
	_, err := NewPlan(o)
	if list := Mistakes(err); len(list) != 1 || list[0].Field != "valence" || !strings.Contains(err.Error(), "zinc with valence 1 is not in the table of metals; it has valence 2; leave it out") {
		t.Errorf("%v", err)
	}
}

// TestCausticTellsTheMedium: an oxide in caustic alkali is no acid bath; an oxide alone goes into acid, and a thiosulfate into no bath of the tables.
func TestCausticTellsTheMedium(t *testing.T) {
	o := zincOrder()
	oxide := Salt{Formula: "ZnO", Mass: given(0.02)}
	for _, test := range []struct {
		salts  []Salt
		medium matter.Medium
		error  string
	}{
		{[]Salt{oxide}, matter.Sulfate, ""},
		{[]Salt{oxide, {Formula: "NaOH", Mass: given(0.15)}}, matter.Alkaline, ""},
		{[]Salt{{Formula: "ZnSO4", Mass: given(0.1)}, {Formula: "KOH", Mass: given(0.001)}}, matter.Sulfate, ""},
		{[]Salt{{Formula: "Na3Ag(S2O3)2", Mass: given(0.03)}}, "", "thiosulfate"},
	} {
		o.Contents.Salts, o.Contents.Metal = test.salts, ""
		p, err := NewPlan(o)
		if test.error != "" {
			if list := Mistakes(err); len(list) != 1 || !strings.Contains(err.Error(), test.error) {
				t.Errorf("%v: %v", test.salts, err)
			}
		} else if err != nil || p.Medium != test.medium || strings.Contains(strings.Join(p.Notes, " "), "sulfuric acid") != (test.medium == matter.Sulfate && len(test.salts) == 1) {
			t.Errorf("%v: %+v, %v", test.salts, p, err)
		}
	}
}
