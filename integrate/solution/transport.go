package solution

import (
	"math"

	"nightcell/integrate/matter"
)

// ProtonWarmth is w of Diffusion for H+, K; 0 holds for the ions of metals.
const ProtonWarmth = 838

// Viscosity returns that of water in Pa·s at a temperature in kelvin, 273 to 373 K: Korson, Drost-Hansen and Millero, J. Phys. Chem. 73 (1969) 34.
func Viscosity(kelvin float64) float64 {
	t := kelvin - matter.ZeroCelsius
	return 1.0020e-3 * math.Pow(10, (1.1709*(20-t)-0.001827*(t-20)*(t-20))/(t+89.93))
}

// Diffusion returns by what factor the diffusion of an ion grows from 25 °C to a temperature in kelvin, exp(w/T − w/298.15)·η(25 °C)/η(T):
// the rule of the U.S. Geological Survey's phreeqc data file, where w stands for each ion.
func Diffusion(w, kelvin float64) float64 {
	return math.Exp(w/kelvin-w/matter.RoomTemperature) * Viscosity(matter.RoomTemperature) / Viscosity(kelvin)
}

// Transfer returns by what factor the transfer of a metal ion to a wall grows from 25 °C, as D^(2/3)·ν^(−1/6) of a laminar layer does.
func Transfer(kelvin float64) float64 {
	return math.Pow(Diffusion(0, kelvin), 2.0/3) * math.Pow(Viscosity(matter.RoomTemperature)/Viscosity(kelvin), 1.0/6)
}

// Conduction returns by what factor the conductivity of ions with that w grows from 25 °C: by Nernst and Einstein it goes with D/T.
func Conduction(w, kelvin float64) float64 {
	return Diffusion(w, kelvin) * matter.RoomTemperature / kelvin
}
