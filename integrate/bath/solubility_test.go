package bath

import (
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// What a beaker holds (CRC Handbook, 98th ed., as quoted): 57.7 g ZnSO4 in 100 g of water at 25 °C, 75.4 g at 50 °C, 0.0044 g PbSO4.
func TestWhatABeakerHolds(t *testing.T) {
	plan := func(volume, celsius float64, salts ...Salt) (*Plan, error) {
		return NewPlan(Order{Contents: Contents{Volume: given(volume), Metal: "", Salts: salts}, Target: Target{Recover, given(0.5)},
			Efficiency: Efficiency{Fraction: given(0.9)}, Conditions: Conditions{Current: given(3), CathodeArea: given(6e-3), Temperature: given(celsius + matter.ZeroCelsius)}})
	}
	for _, c := range []struct {
		salts   []Salt
		volume  float64
		celsius float64
		refused string // "": taken
		noted   string // "": nothing
	}{
		{[]Salt{{Formula: "ZnSO4·7H2O", Mass: given(5)}}, 0.9e-3, 25, "3119 g/L of ZnSO4 are stated, and a bath holds no more than about 754 g/L", ""},
		{[]Salt{{Formula: "PbSO4", Mass: given(0.1)}}, 1e-3, 25, "no more than about 0.058 g/L", ""},
		{[]Salt{{Formula: "AgCl", Mass: given(0.05)}}, 1e-3, 25, "of AgCl are stated", ""},
		{[]Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.25)}}, 0.9e-3, 25, "", ""},
		{[]Salt{{Formula: "ZnSO4·7H2O", Mass: given(1.2)}}, 1e-3, 20, "", "at 20 °C no more than about 538 g/L"},
		{[]Salt{{Formula: "ZnSO4·7H2O", Mass: given(1.2)}}, 1e-3, 45, "", ""},
		{[]Salt{{Formula: "ZnSO4·7H2O", Mass: given(0.25)}, {Formula: "H3BO3", Mass: given(0.2)}}, 0.9e-3, 20, "", "g/L of H3BO3 is stated, and at 20 °C no more than about 50.1 g/L"},
		{[]Salt{{Formula: "ZnSO4", Mass: given(0.5)}, {Formula: "ZnSO4·7H2O", Mass: given(0.7)}}, 1e-3, 45, "of ZnSO4 are stated", ""},
		{[]Salt{{Formula: "AgCl", Mass: given(0.05)}, {Formula: "KCN", Mass: given(0.1)}}, 1e-3, 25, "", ""}, // cyanide holds it
	} {
		p, err := plan(c.volume, c.celsius, c.salts...)
		if c.refused != "" {
			if err == nil || !strings.Contains(err.Error(), c.refused) {
				t.Errorf("%v: %v", c.salts, err)
			}
			continue
		}
		if err != nil {
			t.Errorf("%v: %v", c.salts, err)
			continue
		}
		notes := strings.Join(p.Notes, "\n")
		if c.noted != "" && !strings.Contains(notes, c.noted) || c.noted == "" && strings.Contains(notes, "at the bottom") {
			t.Errorf("%v: %s", c.salts, notes)
		}
	}
	_, err := NewPlan(Order{Contents: Contents{Volume: given(1e-3), Metal: "Zn", Medium: matter.Sulfate, Concentration: given(1200)}, Target: Target{Recover, given(0.5)}, Efficiency: Efficiency{Fraction: given(0.9)}})
	if err == nil || !strings.Contains(err.Error(), "no more than about 306 g/L dissolve") {
		t.Errorf("1200 g/L of zinc: %v", err)
	}
}

// TestSolubilityNeedsNoEfficiency: what does not dissolve is said although something else is missing too.
func TestSolubilityNeedsNoEfficiency(t *testing.T) {
	_, err := NewPlan(Order{Contents: Contents{Salts: []Salt{{Formula: "PbSO4", Mass: matter.GivenFigure(0.05, 0)}}, Volume: matter.GivenFigure(1e-3, 0)},
		Target: Target{Recover, matter.GivenFigure(0.5, 0)}})
	if err == nil || !strings.Contains(err.Error(), "a bath holds no more than about 0.058 g/L") || !strings.Contains(err.Error(), "none is usual for lead") {
		t.Errorf("%v", err)
	}
}
