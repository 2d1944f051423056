package electrolysis

import "math"

// CODATA 2018 and 2022 (both print these digits; all exact in the present SI).
const (
	faraday     = 96485.33212331001 // C/mol, e·N_A
	gasConstant = 8.31446261815324  // J/(mol·K)
)

const (
	// StandardTemperature, 25 °C in kelvin, is where the tables of potentials and solubility products hold.
	StandardTemperature = 298.15
	// StandardPressure is one atmosphere in pascals, the usual basis of gas volumes in litres.
	StandardPressure = 101325.0
	// standardConcentration is 1 mol/L in mol/m³, the reference of concentrations used as activities.
	standardConcentration = 1000.0
	// waterMolarMass in kg/mol: H 1.0080, O 15.999 (CIAAW 2021).
	waterMolarMass = 18.015e-3
)

// positive tells whether every value is a finite number above zero.
func positive(values ...float64) bool {
	for _, v := range values {
		if !(v > 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// notNegative tells whether every value is a finite number, zero or above.
func notNegative(values ...float64) bool {
	for _, v := range values {
		if !(v >= 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
