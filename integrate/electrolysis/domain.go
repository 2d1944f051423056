package electrolysis

import "math"

// standardConcentration is 1 mol/L in mol/m³, the reference of concentrations used as activities.
const standardConcentration = 1000.0

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
