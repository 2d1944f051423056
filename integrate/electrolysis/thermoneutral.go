package electrolysis

import "nightcell/integrate/matter"

// Enthalpies in J per mol of electrons that the anode reactions take up, from those
// of liquid water (−285.83 kJ/mol) and of dissolved chloride (−167.16 kJ/mol) at 25 °C (NBS tables, from memory).
const (
	oxygenEnthalpy   = 285.83e3 / 2
	chlorineEnthalpy = 167.16e3
)

// ionEnthalpy returns the standard enthalpy of formation in J/mol of the dissolved
// ion at 25 °C and its charge (NBS tables 1982, from memory).
func ionEnthalpy(symbol string) (enthalpy, charge float64, known bool) {
	switch symbol {
	case "Ag":
		return 105.58e3, 1, true
	case "Cd":
		return -75.90e3, 2, true
	case "Co":
		return -58.2e3, 2, true
	case "Cu":
		return 64.77e3, 2, true
	case "Fe":
		return -89.1e3, 2, true
	case "In":
		return -105e3, 3, true
	case "Mn":
		return -220.75e3, 2, true
	case "Ni":
		return -54.0e3, 2, true
	case "Pb":
		return -1.7e3, 2, true
	case "Pd":
		return 149.0e3, 2, true
	case "Sn":
		return -8.8e3, 2, true
	case "Tl":
		return 5.36e3, 1, true
	case "Zn":
		return -153.89e3, 2, true
	}
	return 0, 0, false
}

// ThermoneutralVoltage returns the voltage in volts at which the cell would neither
// warm nor cool: the enthalpy of the reactions per coulomb. The metal takes the
// share efficiency (0 to 1) of the current, hydrogen the rest; anode is the gas of
// the main anode reaction. known is false if the table has no enthalpy for the
// metal's ion of that valence; the voltage is then that of splitting water, 1.48 V, or hydrochloric acid, 1.73 V.
func ThermoneutralVoltage(symbol string, valence int, anode Gas, efficiency float64) (volts float64, known bool) {
	atAnode := oxygenEnthalpy
	if anode == Chlorine {
		atAnode = chlorineEnthalpy
	}
	enthalpy, charge, known := ionEnthalpy(symbol)
	if !known || float64(valence) != charge {
		return atAnode / matter.Faraday, false
	}
	return (atAnode - efficiency*enthalpy/charge) / matter.Faraday, true
}
