package run

import (
	"strings"
	"testing"

	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// TestBeginTextOfAnUnstatedEfficiency: the log's first words give the target of a beginner's efficiency as a range, and ± only
// where the doubt is the same to both sides.
func TestBeginTextOfAnUnstatedEfficiency(t *testing.T) {
	given := func(v float64) matter.Figure { return matter.GivenFigure(v, 0) }
	o := bath.Order{
		Contents:   bath.Contents{Volume: given(0.9e-3), Salts: []bath.Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.25)}}},
		Target:     bath.Target{Form: bath.Recover, Value: given(0.85)},
		Conditions: bath.Conditions{Current: given(3), CathodeArea: given(60e-4)},
	}
	for _, c := range []struct {
		efficiency matter.Figure
		want, not  string
	}{
		{matter.Figure{}, " to ", "±"}, {given(0.88), "±", " to "},
	} {
		o.Efficiency.Fraction = c.efficiency
		p, err := bath.NewPlan(o)
		if err != nil {
			t.Fatal(err)
		}
		r := &Run{settings: Settings{Plan: p}}
		if text := r.beginText(); !strings.Contains(text, c.want) || strings.Contains(text, c.not) || !strings.Contains(text, "A·h (k = 2)") {
			t.Errorf("efficiency %v: %q", c.efficiency.Value, text)
		}
	}
}
