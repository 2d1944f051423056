package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// Gas is a gas that an electrode makes.
type Gas uint8

// The gases of winning cells with insoluble anodes.
const (
	NoGas Gas = iota
	Hydrogen
	Oxygen
	Chlorine
)

// String returns the gas's name in words.
func (g Gas) String() string {
	switch g {
	case Hydrogen:
		return "hydrogen"
	case Oxygen:
		return "oxygen"
	case Chlorine:
		return "chlorine"
	}
	return "no gas"
}

// ElectronsPerMole returns the electrons that pass for each molecule of the gas.
func (g Gas) ElectronsPerMole() float64 {
	switch g {
	case Hydrogen, Chlorine:
		return 2
	case Oxygen:
		return 4
	}
	return math.Inf(1)
}

// GasMoles returns the moles of gas that charge coulombs make if all of it makes this
// gas: charge / (electrons per molecule · F).
func (g Gas) GasMoles(charge float64) float64 {
	return charge / (g.ElectronsPerMole() * matter.Faraday)
}

// GasVolume returns the dry volume in m³ of the gas that charge coulombs make at
// temperature kelvin and pressure pascal if all of it makes this gas. Called with a
// current in amperes it returns m³/s.
func (g Gas) GasVolume(charge, temperature, pressure float64) float64 {
	return g.GasMoles(charge) * matter.MolarVolume(temperature, pressure)
}
