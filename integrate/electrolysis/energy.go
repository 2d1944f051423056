package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// JoulesPerKilowattHour converts the trade's unit of energy.
const JoulesPerKilowattHour = 3.6e6

// SpecificEnergy returns the J/kg that a metal of molarMass kg/mol and valence costs at
// mean cell volts and current efficiency (above 0 to 1): volts·n·F/(M·efficiency).
func SpecificEnergy(volts, efficiency float64, valence int, molarMass float64) float64 {
	if !positive(efficiency, float64(valence), molarMass) || efficiency > 1 {
		return math.NaN()
	}
	return volts * float64(valence) * matter.Faraday / (molarMass * efficiency)
}

// Energy returns the joules of charge coulombs at mean volts.
func Energy(volts, charge float64) float64 { return volts * charge }

// Cost returns the price of energy joules at pricePerKilowattHour, in that price's money.
func Cost(energy, pricePerKilowattHour float64) float64 {
	return energy / JoulesPerKilowattHour * pricePerKilowattHour
}
