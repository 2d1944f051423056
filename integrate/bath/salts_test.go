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

// TestUnknownValence: a valence that the table does not have is one sentence, not a plan that cannot be judged.
func TestUnknownValence(t *testing.T) {
	o := zincOrder()
	o.Contents.Valence = 1
	_, err := NewPlan(o)
	if list := Mistakes(err); len(list) != 1 || list[0].Field != "valence" || !strings.Contains(err.Error(), "zinc with valence 1 is not in the table of metals; it has valence 2; leave it out") {
		t.Errorf("%v", err)
	}
}
