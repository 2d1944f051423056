package electrolysis

import (
	"slices"
	"testing"

	"nightcell/integrate/matter"
)

// What the rules of materials.toml hold for are names that the other tables have, and the lists that must have an answer end with one.
func TestMaterialsNameWhatThereIs(t *testing.T) {
	m := tables()
	var rules []rule
	for _, r := range m.Reaction {
		rules = append(rules, r.rule)
		if r.Name == "" || r.Note == "" || r.Metals == nil && r.Media == nil {
			t.Errorf("reaction %q is of nothing, or says nothing", r.Name)
		}
	}
	for _, r := range m.Cathode {
		rules = append(rules, r.rule)
		if r.Advice == "" || !slices.Contains([]Verdict{Usual, Possible, Avoid}, r.Verdict) {
			t.Errorf("%q is %q", r.Advice, r.Verdict)
		}
	}
	for _, r := range m.AnodeAdvice {
		rules = append(rules, r.rule)
	}
	for _, r := range m.Conductivity {
		rules = append(rules, r.rule)
	}
	for _, r := range rules {
		for _, medium := range append(slices.Clone(r.Media), r.NotIn...) {
			if !medium.Known() {
				t.Errorf("medium %q", medium)
			}
		}
		for _, metal := range r.Metals {
			if _, err := matter.LookUp(metal); err != nil {
				t.Errorf("metal %q: %v", metal, err)
			}
		}
		for _, material := range r.Materials {
			if !slices.Contains(m.Blanks, material) && !slices.Contains(anodeMaterials(), material) {
				t.Errorf("material %q", material)
			}
		}
	}
	for _, o := range m.Overpotential {
		for _, metal := range o.Metals {
			if _, err := matter.LookUp(metal); err != nil {
				t.Errorf("metal %q: %v", metal, err)
			}
		}
	}
	for _, last := range []rule{m.Cathode[len(m.Cathode)-1].rule, m.Conductivity[len(m.Conductivity)-1].rule} {
		if !last.holds("glass", "Xx", "odd", true) || !last.holds("", "", "", false) {
			t.Errorf("the last row holds for %+v alone", last)
		}
	}
	for _, s := range []Separator{Diaphragm, CationMembrane, AnionMembrane} {
		if s.row().Name != s || s.row().AcidSource == "" || s.row().ResistanceSource == "" {
			t.Errorf("separator %s: %+v", s, s.row())
		}
	}
}
