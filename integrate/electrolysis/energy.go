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

// EfficiencyFromEnergy returns the current efficiency that a measured specific energy
// in J/kg means at mean cell volts; the inverse of SpecificEnergy. It may come out
// above 1, which says that one of the figures is wrong.
func EfficiencyFromEnergy(volts, specificEnergy float64, valence int, molarMass float64) float64 {
	if !positive(specificEnergy, float64(valence), molarMass) {
		return math.NaN()
	}
	return volts * float64(valence) * matter.Faraday / (molarMass * specificEnergy)
}

// Energy returns the joules of charge coulombs at mean volts.
func Energy(volts, charge float64) float64 { return volts * charge }

// WallEnergy returns the joules drawn from the mains for energy joules out of a
// supply of the given efficiency (above 0 to 1; bench supplies 0.6 to 0.9).
func WallEnergy(energy, supplyEfficiency float64) float64 {
	if !positive(supplyEfficiency) || supplyEfficiency > 1 {
		return math.NaN()
	}
	return energy / supplyEfficiency
}

// Cost returns the price of energy joules at pricePerKilowattHour, in that price's money.
func Cost(energy, pricePerKilowattHour float64) float64 {
	return energy / JoulesPerKilowattHour * pricePerKilowattHour
}
