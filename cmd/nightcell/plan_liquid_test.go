package main

import (
	"math"
	"testing"
)

// TestPlanTellsThePHAtTheEnd: undivided, each two electrons that win zinc leave two H+. By hand: 45 A·h at 88 % leave 1.478 mol in 0.9 L,
// 1.64 mol/L of H+, of which 0.97 mol/L of sulfate keep up to 0.97 back as bisulfate: between 0.67 and 1.64 mol/L, pH 0.17 to -0.22 by
// concentration, and up to 0.15 higher by activity.
func TestPlanTellsThePHAtTheEnd(t *testing.T) {
	args := []string{"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--volume", "0.9 L", "--recover", "85 %", "--efficiency", "88 %", "--current", "3 A", "--cathode-area", "60 cm2", "--ph", "4.5"}
	object := planObject(t, args...)
	low, end, high := object["ph_at_end_low"].(float64), object["ph_at_end"].(float64), object["ph_at_end_high"].(float64)
	if !(low < end && end < high) || math.Abs(end-0.15) > 0.2 {
		t.Errorf("pH %g (%g to %g) at the end", end, low, high)
	}
	course := object["ph_course"].([]any)
	if first, last := course[0].(map[string]any), course[len(course)-1].(map[string]any); first["ph"] != 4.5 || last["ph"] != end || last["charge_coulombs"] != object["target_charge_coulombs"] {
		t.Errorf("course %v", course)
	}
	wants(t, flat(t, args...), "pH at the end, the bath", "pH at the end, if divided", "pH against charge 0 A·h 4.50", "the bath ends near pH")
	divided := planObject(t, append(args, "--separator", "diaphragm")...)
	if a, ok := divided["anolyte_ph_at_end"].(float64); !ok || a > 0.5 {
		t.Errorf("the anolyte ends at pH %v", divided["anolyte_ph_at_end"])
	}
}
