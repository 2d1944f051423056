package solution

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

func row(t testing.TB, formula string) (Soluble, matter.Formula) {
	t.Helper()
	f, err := matter.ParseFormula(formula)
	if err != nil {
		t.Fatal(err)
	}
	s, ok := SolubilityOf(f)
	if !ok {
		t.Fatalf("%s is not in the table", formula)
	}
	return s, f
}

// Another table of the CRC Handbook, 98th ed., in mol per kg of water: CuSO4 1.376, FeSO4 1.940 and ZnSO4 3.573 at 25 °C, 1.153, 1.533
// and 3.116 at 15 °C. OpenStax Chemistry 2e, m68813: [Ag+] 1.3e-5 M over AgCl in water at 25 °C.
func TestSolubilityAgainstAnotherTable(t *testing.T) {
	for formula, want := range map[string][2]float64{"CuSO4·5H2O": {1.153, 1.376}, "FeSO4·7H2O": {1.533, 1.940}, "ZnSO4·7H2O": {3.116, 3.573}} { // outside: crc aqueous solubility in mol/kg, 15 and 25 °C
		s, _ := row(t, formula)
		dry, _ := s.salt.MolarMass()
		for i, celsius := range []float64{15, 25} {
			if got := s.Of(celsius+matter.ZeroCelsius) / dry / 1000; math.Abs(got/want[i]-1) > 0.02 {
				t.Errorf("%s at %g °C: %.3f mol/kg, want %.3f", formula, celsius, got, want[i])
			}
		}
	}
	s, _ := row(t, "AgCl")
	if got := s.Of(298.15) / 0.14332; math.Abs(got-1.33e-2) > 5e-4 { // outside: chemistry-2e 15.2
		t.Errorf("AgCl: %g mol/m3", got)
	}
}

// Zinc, cobalt, iron, manganese and cadmium sulfate have a maximum; heating past it dissolves less.
func TestSolubilityHasAMaximum(t *testing.T) {
	for formula, celsius := range map[string]float64{"ZnSO4": 50, "CoSO4": 60, "FeSO4": 60, "MnSO4": 27, "CdSO4": 40} {
		s, _ := row(t, formula)
		best := s.Of(math.NaN())
		if at := s.Of(celsius + matter.ZeroCelsius); math.Abs(at/best-1) > 0.01 || s.Of(372) > 0.9*best {
			t.Errorf("%s: %g at %g °C, %g at 99 °C, %g at best", formula, at, celsius, s.Of(372), best)
		}
	}
}

func TestSolubilityIsBetweenItsNeighbours(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := solubles()
		s := all[rapid.IntRange(0, len(all)-1).Draw(t, "salt")]
		v := s.Of(rapid.Float64Range(250, 400).Draw(t, "kelvin"))
		low, high := math.Inf(1), 0.0
		for _, c := range s.Celsius {
			low, high = math.Min(low, s.Of(c+matter.ZeroCelsius)), math.Max(high, s.Of(c+matter.ZeroCelsius))
		}
		if !(v >= low-1e-9 && v <= high+1e-9) || high > s.Of(math.NaN())+1e-9 {
			t.Fatalf("%s: %g outside %g to %g", s.Formula, v, low, high)
		}
	})
}

func TestSolubilityTableIsChecked(t *testing.T) {
	for _, wrong := range []string{strings.Replace(solubilityTOML, `source = "crc"`, `source = "nobody"`, 1), strings.Replace(solubilityTOML, "29.1, ", "", 1), solubilityTOML + "\nmore = 1\n"} {
		if _, err := matter.ReadTable(wrong, settleSolubles); err == nil {
			t.Error("a wrong table is taken")
		}
	}
}
