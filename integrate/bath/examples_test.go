package bath

import (
	"math"
	"testing"

	"nightcell/integrate/matter"
)

func given(v float64) matter.Figure { return matter.GivenFigure(v, 0) }

// batchOf is a bath that never runs short, for sums of charge and mass alone.
func batchOf(valence int, efficiency float64) Batch {
	return Batch{Valence: valence, Volume: 1, Area: 1, Efficiency: efficiency}
}

func weightOf(t *testing.T, symbol string) float64 {
	t.Helper()
	e, ok := matter.LookUpElement(symbol)
	if !ok {
		t.Fatalf("no element %s", symbol)
	}
	return e.Weight.Value
}

// grams deposited by a charge, through Won.
func grams(t *testing.T, symbol string, valence int, efficiency, amperes, seconds float64) float64 {
	t.Helper()
	return batchOf(valence, efficiency).Won(1e9, amperes, seconds) * weightOf(t, symbol) * 1e3
}

// hours to deposit grams, through Time.
func hours(t *testing.T, symbol string, valence int, efficiency, amperes, gram float64) float64 {
	t.Helper()
	mol := gram * 1e-3 / weightOf(t, symbol)
	return batchOf(valence, efficiency).Time(1e9, 1e9-mol, amperes) / 3600
}

// TestWorkedExamples recomputes examples with printed answers. The tolerance is
// the rounding of the print, wider where the source rounds in between or uses older weights.
func TestWorkedExamples(t *testing.T) {
	const openStax = "OpenStax Chemistry 2e, 17.7, "
	for _, test := range []struct {
		source    string
		got, want float64
		relative  float64
	}{
		{openStax + "silver: mol of electrons", 10.23 * 3600 / matter.Faraday, 0.3817, 1e-4},              // outside: chemistry-2e 17.7
		{openStax + "silver: g", grams(t, "Ag", 1, 1, 10.23, 3600), 41.19, 6e-4},                          // outside: chemistry-2e 17.7
		{openStax + "aluminium, 25.0 A for 15.0 min: mol", batchOf(3, 1).Won(1e9, 25, 900), 0.0777, 1e-3}, // outside: chemistry-2e 17.7
		{openStax + "aluminium: g", grams(t, "Al", 3, 1, 25, 900), 2.10, 3e-3},                            // outside: chemistry-2e 17.7
		{openStax + "chromium, 237 g at 33.46 A: h", hours(t, "Cr", 3, 1, 33.46, 237), 11.0, 5e-3},        // outside: chemistry-2e 17.7
		{openStax + "zinc, 11.8 kg at 25.5 A: h", hours(t, "Zn", 2, 1, 25.5, 11800), 379, 2e-3},           // outside: chemistry-2e 17.7
		{openStax + "calcium from 3.33e5 C: g", grams(t, "Ca", 2, 1, 1, 3.33e5), 69.1, 2e-3},              // outside: chemistry-2e 17.7
		{openStax + "lithium from 3.33e5 C: g", grams(t, "Li", 1, 1, 1, 3.33e5), 23.9, 4e-3},              // outside: chemistry-2e 17.7
		{openStax + "aluminium from 3.33e5 C: g", grams(t, "Al", 3, 1, 1, 3.33e5), 31.0, 2e-3},            // outside: chemistry-2e 17.7
		{openStax + "chromium from 3.33e5 C: g", grams(t, "Cr", 3, 1, 1, 3.33e5), 59.8, 2e-3},             // outside: chemistry-2e 17.7
		{openStax + "chlorine from 3.33e5 C: g", 2 * grams(t, "Cl", 2, 1, 1, 3.33e5), 122, 3e-3},          // outside: chemistry-2e 17.7
		{openStax + "bromine from 3.33e5 C: g", 2 * grams(t, "Br", 2, 1, 1, 3.33e5), 276, 2e-3},           // outside: chemistry-2e 17.7
		// BCcampus, Hydrometallurgy, chapter VII quiz: 45 000 t/y of copper in 112 cells at 300 A/m2, 1.2 m × 1 m on both sides, 90 %.
		{"BCcampus copper plant: sheets per cell", 45e9 / 112 / (grams(t, "Cu", 2, 0.9, 300*2*1.2*1, 365*24*3600)), 59.71, 1e-3}, // outside: bccampus chapter VII
		// Aalto University CHEM-E6180 exercise 6: 2.2 V and 1.89 kWh/kg of copper.
		{"Aalto copper: efficiency from energy", 2.2 / (1.89e3 * grams(t, "Cu", 2, 1, 1, 3600) / 1e3), 0.98, 3e-3}, // outside: aalto exercise 6
		{"legal ampere of 1894: g of silver per C", grams(t, "Ag", 1, 1, 1, 1), 1.11800e-3, 1e-4},                  // outside: act-1894 section 1
		// A handbook text whose title page was not seen, on cadmium cyanide plating: 25 µm at 90 % takes 120 A·h/m2, to two digits; 8.65 g/cm3.
		{"cadmium, 25 µm at 90 %: A·h per m2", hours(t, "Cd", 2, 0.9, 1, 25e-6*8650*1e3), 120, 0.05},
		// LibreTexts, Electrolysis (from memory): 2.00 g of silver in 12.0 h takes 41.4 mA; a 29 g aluminium can at 15 A takes 5.8 h.
		{"LibreTexts silver spoon: mA", 1e3 * hours(t, "Ag", 1, 1, 1, 2) / 12, 41.4, 1e-3},
		{"LibreTexts aluminium can: h", hours(t, "Al", 3, 1, 15, 29), 5.8, 1e-2},
	} {
		if math.Abs(test.got-test.want) > test.relative*test.want {
			t.Errorf("%s: %.6g, printed %g", test.source, test.got, test.want)
		}
	}
}

// TestThicknessExamples takes the two thickness examples of OpenStax Chemistry 2e, 17.7, through a whole plan.
func TestThicknessExamples(t *testing.T) {
	for _, test := range []struct {
		name                              string
		metal                             string
		valence                           int
		thickness, area, amperes          float64
		wantKilograms, wantHours, percent float64
	}{
		{"chromium, 0.010 mm on 3.3 m2 at 33.46 A", "Cr", 3, 0.010e-3, 3.3, 33.46, 0.237, 11.0, 0.5},      // outside: chemistry-2e 17.7
		{"zinc, 0.100 mm on 3.00 m × 5.50 m at 25.5 A", "Zn", 2, 0.100e-3, 3 * 5.5, 25.5, 11.8, 379, 0.3}, // outside: chemistry-2e 17.7
	} {
		p, err := NewPlan(Order{
			Contents:   Contents{Metal: test.metal, Valence: test.valence, Volume: given(10), MetalMass: given(100)},
			Target:     Target{Thickness, given(test.thickness)},
			Efficiency: Efficiency{Fraction: given(1)},
			Conditions: Conditions{Current: given(test.amperes), CathodeArea: given(test.area)},
		})
		if err != nil {
			t.Fatalf("%s: %v", test.name, err)
		}
		if got := p.Goal.Deposit.Value; math.Abs(got/test.wantKilograms-1) > test.percent/100 {
			t.Errorf("%s: %.4g kg, printed %g", test.name, got, test.wantKilograms)
		}
		if got := p.Goal.Duration.Value / 3600; math.Abs(got/test.wantHours-1) > test.percent/100 {
			t.Errorf("%s: %.4g h, printed %g", test.name, got, test.wantHours)
		}
	}
}
