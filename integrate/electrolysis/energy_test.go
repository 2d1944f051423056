package electrolysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// copperMass is in kg/mol, CIAAW 2021.
const copperMass = 63.546e-3

// Printed answers that follow from printed volts and efficiency. A voltage that is worked back from an energy, or an energy
// that nobody prints, would check nothing.
func TestPublishedEnergies(t *testing.T) {
	kilowattHours := func(volts, efficiency, mass float64) float64 {
		return SpecificEnergy(volts, efficiency, 2, mass) / JoulesPerKilowattHour
	}
	near(t, "Aalto CHEM-E6180, exercise 6: 2.2 V and 1.89 kWh/kg copper, printed about 98 %",
		kilowattHours(2.2, 1, copperMass)/1.89, 0.98, 0.005) // outside: aalto exercise 6
	near(t, "Aalto CHEM-E6180, task 4: about 2.3 V at 95 %, printed about 2 kWh/kg", kilowattHours(2.3, 0.95, copperMass), 2, 0.1) // outside: aalto task 4
	// 45 000 t/y over 112 cells of sheets of 1.2 m² on both sides at
	// 300 A/m² and 90 %: printed N = 59.71. At one volt the specific energy is the charge per kg.
	const year = 365 * 24 * 3600.0
	perCell := SpecificEnergy(1, 0.90, 2, copperMass) * 45e6 / year / 112                                                   // A
	near(t, "BCcampus Hydrometallurgy, chapter VII quiz: sheets per cell, printed 59.71", perCell/(300*2*1.2), 59.71, 0.01) // outside: bccampus chapter VII
}

func TestEnergyProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		volts := rapid.Float64Range(0.1, 20).Draw(t, "volts")
		efficiency := rapid.Float64Range(0.01, 1).Draw(t, "efficiency")
		valence := rapid.IntRange(1, 6).Draw(t, "valence")
		mass := rapid.Float64Range(5e-3, 0.25).Draw(t, "molar mass")
		specific := SpecificEnergy(volts, efficiency, valence, mass)
		charge := rapid.Float64Range(1, 1e7).Draw(t, "charge")
		won := efficiency * charge / (float64(valence) * matter.Faraday) * mass
		if math.Abs(Energy(volts, charge)/won/specific-1) > 1e-12 {
			t.Fatal("energy over mass must be the specific energy")
		}
	})
	near(t, "cost of 2.5 kWh at 0.30", Cost(2.5*JoulesPerKilowattHour, 0.30), 0.75, 1e-12)
	for _, got := range []float64{SpecificEnergy(2, 0, 2, 0.06), SpecificEnergy(2, 1.1, 2, 0.06)} {
		if !math.IsNaN(got) {
			t.Errorf("outside the domain: got %v, want NaN", got)
		}
	}
}

// TestSkewedFollowers: the energy per kilogram goes with the reciprocal of the efficiency, so that its limits change sides.
func TestSkewedFollowers(t *testing.T) {
	efficiency := matter.Figure{Value: 0.6, Low: 0.4, High: 0.9, Mark: matter.Assumed}
	got := skewed(matter.Figure{Value: 3}, efficiency, -1)
	near(t, "lowest", got.Low, 2, 1e-12)
	near(t, "highest", got.High, 4.5, 1e-12)
	if b := fromFigure(efficiency); b.Low != 0.4 || b.High != 0.9 || len(around(efficiency)) != 3 {
		t.Errorf("%+v", b)
	}
	if f := skewed(matter.Figure{Value: 3}, matter.Figure{Value: 0.6, StandardUncertainty: 0.1}, -1); f.Skewed() {
		t.Errorf("limits from nowhere: %+v", f)
	}
}
