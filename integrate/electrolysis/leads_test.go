package electrolysis

import (
	"math"
	"testing"

	"nightcell/integrate/matter"
)

// TestMeasuredLeads: a lead resistance that was measured takes the place of the usual drop in the voltage, with its own doubt.
func TestMeasuredLeads(t *testing.T) {
	c := zincCell(t)
	before, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	c.LeadOhms = matter.Figure{Value: 0.05, StandardUncertainty: 0.005, Mark: matter.Given}
	after, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	drop := func(a *Assessment) (b matter.Figure) {
		for _, p := range a.Parts {
			if p.Name == leadsPart {
				b = p.Figure
			}
		}
		return b
	}
	amperes := after.Conditions.Current.Value
	if was, is := drop(&before), drop(&after); was.Value != 0.1 || math.Abs(is.Value-0.05*amperes) > 1e-9 || !(is.Low < is.Value && is.Value < is.High) {
		t.Errorf("%+v, and measured %+v at %g A", was, is, amperes)
	}
}
