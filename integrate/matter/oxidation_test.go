package matter

import (
	"math"
	"testing"
)

// TestOxidationStates: states as textbooks name the salts, iron(III) chloride for FeCl3 (the rules
// of OpenStax Chemistry 2e, section 4.2; the names of its section 2.7).
func TestOxidationStates(t *testing.T) {
	for text, want := range map[string]struct {
		metal string
		state float64
	}{
		"ZnSO4·7H2O": {"Zn", 2}, "FeCl3": {"Fe", 3}, "FeCl2·4H2O": {"Fe", 2}, "Fe2(SO4)3": {"Fe", 3}, "(NH4)2Fe(SO4)2·6H2O": {"Fe", 2},
		"SnCl4": {"Sn", 4}, "SnSO4": {"Sn", 2}, "Na2SnO3": {"Sn", 4}, "Na2[Sn(OH)6]": {"Sn", 4}, "K2Cr2O7": {"Cr", 6}, "CrO3": {"Cr", 6}, "Cr2(SO4)3": {"Cr", 3},
		"KMnO4": {"Mn", 7}, "MnO2": {"Mn", 4}, "CuCl": {"Cu", 1}, "Cu(NO3)2·3H2O": {"Cu", 2}, "[Cu(NH3)4]SO4": {"Cu", 2}, "CuCN": {"Cu", 1},
		"HAuCl4·3H2O": {"Au", 3}, "KAu(CN)2": {"Au", 1}, "H2PtCl6": {"Pt", 4}, "Na2PdCl4": {"Pd", 2}, "BiOCl": {"Bi", 3}, "Pb(BF4)2": {"Pb", 2},
		"Pb(CH3SO3)2": {"Pb", 2}, "Ni(NH2SO3)2": {"Ni", 2}, "Zn(CH3COO)2·2H2O": {"Zn", 2}, "ZnCO3": {"Zn", 2}, "ZnS": {"Zn", 2}, "Tl2SO4": {"Tl", 1},
		"[Zn(OH)4]^2-": {"Zn", 2}, "TeO2": {"Te", 4}, "PbSiF6": {"Pb", 2}, "Fe3O4": {"Fe", 8.0 / 3},
	} {
		f, err := ParseFormula(text)
		if err != nil {
			t.Fatal(err)
		}
		if state, ok := f.OxidationState(want.metal); !ok || math.Abs(state-want.state) > 1e-12 {
			t.Errorf("%s: %s(%g) %v, want %g", text, want.metal, state, ok, want.state)
		}
	}
	for text, metal := range map[string]string{
		"CuZn(SO4)2": "Cu", "Ag2S2O3": "Ag", "[Co(NH3)6](NO3)3": "Co", "Zn(ClO4)2": "Zn", "ZnSO4": "Cu", "Zn": "Zn", "NiC2O4": "Ni",
	} {
		f, err := ParseFormula(text)
		if err != nil {
			t.Fatal(err)
		}
		if state, ok := f.OxidationState(metal); ok {
			t.Errorf("%s: %s(%g) is not told by the usual states", text, metal, state)
		}
	}
}
