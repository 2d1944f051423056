package electrolysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// molar masses in kg/mol, CIAAW 2021.
const (
	copperMass    = 63.546e-3
	zincMass      = 65.38e-3
	manganeseMass = 54.938043e-3
	cobaltMass    = 58.933194e-3
)

// Published pairs of energy, voltage and efficiency.
func TestPublishedEnergies(t *testing.T) {
	kilowattHours := func(volts, efficiency, mass float64) float64 {
		return SpecificEnergy(volts, efficiency, 2, mass) / JoulesPerKilowattHour
	}
	near(t, "Aalto CHEM-E6180, exercise 6: 2.2 V and 1.89 kWh/kg copper, printed about 98 %",
		kilowattHours(2.2, 1, copperMass)/1.89, 0.98, 0.005)
	near(t, "Aalto CHEM-E6180, task 4: about 2.3 V at 95 %, printed about 2 kWh/kg", kilowattHours(2.3, 0.95, copperMass), 2, 0.1)
	near(t, "copper electrorefining, 0.350 V at 96 %, 0.3075 kWh/kg (Aalto homework, a student's answer)", kilowattHours(0.350, 0.96, copperMass), 0.3075, 0.0005)
	near(t, "zinc, J. Appl. Electrochem. doi 10.1007/BF01016215: 2637 kWh/t means 3.216 V over efficiency", kilowattHours(3.216, 1, zincMass), 2.637, 0.001)
	near(t, "zinc, Minerals Engineering 16 (2003) 559: 3.25 kWh/kg lies at 3.5 V and 88 to 89 %", kilowattHours(3.5, 1, zincMass)/3.25, 0.885, 0.005)
	near(t, "manganese, Hydrometallurgy 46 (1997) 149: 82 % and 6.8 kWh/kg mean 5.71 V", kilowattHours(5.71, 0.82, manganeseMass), 6.8, 0.01)
	near(t, "manganese, doi 10.1016/j.mineng.2010.01.009: 85.86 % and 4.779 kWh/kg mean 4.21 V", kilowattHours(4.21, 0.8586, manganeseMass), 4.779, 0.01)
	near(t, "cobalt, J. Braz. Chem. Soc. 2023: 96 % and 1.95 kWh/kg mean 2.1 V", kilowattHours(2.06, 0.96, cobaltMass), 1.95, 0.01)
	near(t, "BCcampus Hydrometallurgy, chapter VII: 300 A/m², 2.05 V, 90 %, 1.921 kWh/kg", kilowattHours(2.05, 0.90, copperMass), 1.921, 0.001)
	// BCcampus, same quiz: 45 000 t/y over 112 cells of sheets of 1.2 m² on both sides at
	// 300 A/m² and 90 %: printed N = 59.71. At one volt the specific energy is the charge per kg.
	const year = 365 * 24 * 3600.0
	perCell := SpecificEnergy(1, 0.90, 2, copperMass) * 45e6 / year / 112 // A
	near(t, "BCcampus, sheets per cell, printed 59.71", perCell/(300*2*1.2), 59.71, 0.01)
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
