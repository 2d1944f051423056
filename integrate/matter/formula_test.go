package matter

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestMolarMasses checks sums of CIAAW 2021 weights worked out by hand. The
// figures in g/mol are those on reagent labels (from memory, as rounded there).
func TestMolarMasses(t *testing.T) {
	for _, test := range []struct {
		formula string
		grams   float64
		within  float64
	}{
		{"H2O", 18.015, 0.001},
		{"ZnSO4·7H2O", 287.54, 0.02}, // label: 287.54 to 287.56
		{"ZnSO4.7H2O", 287.54, 0.02},
		{"ZnSO4*7H2O", 287.54, 0.02},
		{"ZnSO4 · 7 H2O", 0, -1},
		{"ZnSO4 · 7H2O", 287.54, 0.02},
		{"CuSO4·5H2O", 249.68, 0.02},
		{"Na2H2EDTA·2H2O", 372.24, 0.02}, // label: 372.24
		{"ZnEDTA2", 641.80, 0.02},        // 65.38 + 2 × 288.21: a number behind the name counts it whole
		{"EDTA", 0, -1},
		{"MnSO4.H2O", 169.01, 0.02},
		{"MnSO4·H2O", 169.01, 0.02},
		{"NiSO4·6H2O", 262.84, 0.02},
		{"CoCl2·6H2O", 237.93, 0.02},
		{"CaSO4·0.5H2O", 145.15, 0.02},
		{"CaSO4.0.5H2O", 145.15, 0.02},
		{"CaSO4·½H2O", 145.15, 0.02},
		{"KAl(SO4)2·12H2O", 474.38, 0.03},
		{"(NH4)2Ni(SO4)2·6H2O", 394.98, 0.03},
		{"K4[Fe(CN)6]·3H2O", 422.39, 0.03},
		{"2PbCO3·Pb(OH)2", 775.6, 0.1},
		{"[Zn(OH)4]2-", 133.41, 0.02},
		{"SO4^2-", 96.06, 0.01},
		{"CuSO₄·5H₂O", 249.68, 0.02},
		{"Cu²⁺", 63.546, 0.001},
		{"{[(H)2O]}3", 54.045, 0.002},
	} {
		f, err := ParseFormula(test.formula)
		if test.within < 0 {
			if err == nil {
				t.Errorf("%s: read as %s, want an error", test.formula, f.Hill())
			}
			continue
		}
		if err != nil {
			t.Errorf("%s: %v", test.formula, err)
			continue
		}
		if mass, _ := f.MolarMass(); math.Abs(mass*1e3-test.grams) > test.within {
			t.Errorf("%s: %.4f g/mol, want %.3f", test.formula, mass*1e3, test.grams)
		}
	}
}

// TestNoSilentMisreading holds the pairs that look alike and mean something else.
func TestNoSilentMisreading(t *testing.T) {
	for formula, hill := range map[string]string{
		"Co": "Co", "CO": "CO", "CoCO3": "CCoO3", "NO": "NO", "No": "", "SN": "NS", "Sn": "Sn",
		"PB": "BP", "Pb": "Pb", "CuSO4.5H2O": "CuH10O9S", "MnSO4.H2O": "H2MnO5S", "NaHCO3": "CHNaO3", "NaHCo3": "Co3HNa",
	} {
		f, err := ParseFormula(formula)
		if hill == "" {
			if err == nil {
				t.Errorf("%s was read as %s; an error is due", formula, f.Hill())
			}
			continue
		}
		if err != nil || f.Hill() != hill {
			t.Errorf("%s: %q, %v; want %q", formula, f.Hill(), err, hill)
		}
	}
}

func TestFormulaRefusals(t *testing.T) {
	for formula, word := range map[string]string{
		"":               "empty",
		"5,0":            "comma",
		"ZnSO4,7H2O":     "comma",
		"ZnSO4 7H2O":     "dot",
		"Zn2+":           "Zn^2+",
		"NH4+":           "NH4^+",
		"Fe0.95O":        "subscript",
		"Cu1.5O":         "decimal point",
		"Fe1.5O4H2":      "decimal point",
		"MgCl2·xH2O":     "unknown number",
		"2ZnSO4":         "multiplies the whole formula",
		"ZnSO4·":         "nothing on one side",
		"ZnSO4··7H2O":    "nothing on one side",
		"ZnSO4·7":        "no element",
		"Zn(OH":          "not closed",
		"Zn(OH]2":        "partner",
		"Zn)":            "partner",
		"Zn()2":          "empty pair",
		"znso4":          "zinc is written Zn",
		"ZNSO4":          "zinc is written Zn",
		"Xx2":            "no element",
		"TcO2":           "radioactive",
		"Zn0":            "whole number",
		"Zn99999":        "whole number",
		"ZnSO4·0H2O":     "multiplier",
		"ZnSO4%":         "no place",
		"ZnSO47H2O":      "a dot is missing before the water",
		"Al2(SO4)318H2O": "a dot is missing",
		"Zn^2+SO4^2-":    "not a charge",
		"Zn+SO4":         "once, at the end",
		strings.Repeat("(", 30) + "Zn" + strings.Repeat(")", 30): "nested",
		strings.Repeat("Zn", 200):                                "longer",
	} {
		if f, err := ParseFormula(formula); err == nil {
			t.Errorf("%q was read as %s; want an error about %q", formula, f.Hill(), word)
		} else if !strings.Contains(err.Error(), word) {
			t.Errorf("%q: error %q does not speak of %q", formula, err, word)
		}
	}
}

func TestChargeIsIgnoredWithAWord(t *testing.T) {
	for formula, charge := range map[string]int{"Zn^2+": 2, "Zn²⁺": 2, "Cl-": -1, "[Zn(OH)4]2-": -2, "NH4^+": 1, "Hg++": 2, "SO4^2−": -2} {
		f, err := ParseFormula(formula)
		if err != nil || f.Charge != charge || len(f.Notes) != 1 || !strings.Contains(f.Notes[0], "ignored") {
			t.Errorf("%s: charge %d, notes %q, error %v; want charge %d and a note", formula, f.Charge, f.Notes, err, charge)
		}
	}
}

// TestFormulaRoundTrip: whatever is built from the grammar is read as built, and its normal form as itself.
func TestFormulaRoundTrip(t *testing.T) {
	symbols := []string{"H", "C", "N", "O", "S", "Cl", "Zn", "Co", "Cu", "Na", "K"}
	rapid.Check(t, func(t *rapid.T) {
		want := map[string]float64{}
		var text strings.Builder
		unit := func(times float64) {
			symbol := rapid.SampledFrom(symbols).Draw(t, "symbol")
			number := rapid.IntRange(1, 12).Draw(t, "subscript")
			text.WriteString(symbol)
			if number > 1 || rapid.Bool().Draw(t, "explicit") {
				text.WriteString(itoa(number))
			}
			want[symbol] += times * float64(number)
		}
		for range rapid.IntRange(1, 3).Draw(t, "units") {
			unit(1)
		}
		if rapid.Bool().Draw(t, "group") {
			times := rapid.IntRange(2, 9).Draw(t, "times")
			text.WriteByte('(')
			for range rapid.IntRange(1, 3).Draw(t, "inside") {
				unit(float64(times))
			}
			text.WriteString(")" + itoa(times))
		}
		if waters := rapid.IntRange(0, 12).Draw(t, "waters"); waters > 0 {
			text.WriteString(rapid.SampledFrom([]string{"·", "*", ".", " · "}).Draw(t, "dot") + itoa(waters) + "H2O")
			want["H"] += 2 * float64(waters)
			want["O"] += float64(waters)
		}
		f, err := ParseFormula(text.String())
		if err != nil {
			t.Fatalf("%s: %v", text.String(), err)
		}
		for _, a := range f.Atoms() {
			if want[a.Element.Symbol] != a.Number {
				t.Fatalf("%s: %g of %s, want %g", text.String(), a.Number, a.Element.Symbol, want[a.Element.Symbol])
			}
			delete(want, a.Element.Symbol)
		}
		if len(want) > 0 {
			t.Fatalf("%s: lost %v", text.String(), want)
		}
		again, err := ParseFormula(f.String())
		if err != nil || again.Hill() != f.Hill() || again.String() != f.String() {
			t.Fatalf("%s: normal form %s is read as %s, %v", text.String(), f.String(), again.Hill(), err)
		}
	})
}

func itoa(n int) string {
	if n >= 10 {
		return itoa(n/10) + itoa(n%10)
	}
	return string(rune('0' + n))
}

// FuzzParseFormula: no panic, and what is accepted has a positive mass and a
// normal form that is read as the same thing.
func FuzzParseFormula(f *testing.F) {
	for _, seed := range []string{"Co", "CO", "MnSO4.H2O", "ZnSO4·7H2O", "5,0 g", "[Zn(OH)4]2-", "CaSO4.0.5H2O", "Cu1.5O", "Zn²⁺", "2PbCO3·Pb(OH)2", "{[(H)2O]}3", "Cu.5H2O.5NH3"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		formula, err := ParseFormula(text)
		if err != nil {
			if len(err.Error()) < 10 {
				t.Fatalf("%q: error says too little: %q", text, err)
			}
			return
		}
		if mass, u := formula.MolarMass(); !(mass > 0) || !(u >= 0) || math.IsInf(mass, 0) {
			t.Fatalf("%q: molar mass %g, uncertainty %g", text, mass, u)
		}
		// Every capital letter must begin exactly one element: nothing was skipped or joined.
		capitals := 0
		for _, r := range text {
			if 'A' <= r && r <= 'Z' {
				capitals++
			}
		}
		if capitals < len(formula.Atoms()) {
			t.Fatalf("%q: %d elements from %d capitals", text, len(formula.Atoms()), capitals)
		}
		again, err := ParseFormula(formula.String())
		if err != nil || again.Hill() != formula.Hill() || again.Charge != formula.Charge {
			t.Fatalf("%q: normal form %q is read as %q, %v", text, formula, again.Hill(), err)
		}
	})
}

// TestMassFractionUncertainty checks the propagation against central differences, an independent way.
func TestMassFractionUncertainty(t *testing.T) {
	f, err := ParseFormula("PbSO4")
	if err != nil {
		t.Fatal(err)
	}
	fraction, u := f.MassFraction("Pb")
	var variance float64
	for i, a := range f.atoms {
		shifted := func(sign float64) float64 {
			atoms := f.Atoms()
			atoms[i].Element.Weight.Value += sign * a.Element.Weight.StandardUncertainty
			x, _ := Formula{atoms: atoms}.MassFraction("Pb")
			return x
		}
		variance += math.Pow((shifted(1)-shifted(-1))/2, 2)
	}
	if want := math.Sqrt(variance); math.Abs(u-want) > 1e-4*want {
		t.Errorf("fraction %g: standard uncertainty %g, by differences %g", fraction, u, want)
	}
	if total := fraction + massFraction(f, "S") + massFraction(f, "O"); math.Abs(total-1) > 1e-15 {
		t.Errorf("fractions add to %g", total)
	}
}

func massFraction(f Formula, symbol string) float64 {
	x, _ := f.MassFraction(symbol)
	return x
}

// Hill returns the composition in the Hill order (carbon, hydrogen, then by
// alphabet; by alphabet alone without carbon), for comparing formulae whose parts were written in another order.
func (f Formula) Hill() string {
	atoms := f.Atoms()
	rank := func(symbol string) int {
		if f.Count("C") > 0 {
			switch symbol {
			case "C":
				return 0
			case "H":
				return 1
			}
		}
		return 2
	}
	slices.SortFunc(atoms, func(a, b Atoms) int {
		return cmp.Or(cmp.Compare(rank(a.Element.Symbol), rank(b.Element.Symbol)), cmp.Compare(a.Element.Symbol, b.Element.Symbol))
	})
	var text strings.Builder
	for _, a := range atoms {
		text.WriteString(a.Element.Symbol)
		if a.Number != 1 {
			fmt.Fprintf(&text, "%g", a.Number)
		}
	}
	return text.String()
}
