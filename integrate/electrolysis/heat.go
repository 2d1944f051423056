package electrolysis

import "math"

const (
	// VolumetricHeat is the heat capacity of the bath in J/(m³·K), assumed to be that of water;
	// concentrated salt baths lie 0 to 10 % lower.
	VolumetricHeat = 4.18e6
	// WallLoss is the loss through a bare vessel's wall in W/(m²·K) by free convection and
	// radiation. Assumed; 6 to 12 is usual.
	WallLoss = 10.0
	// latentHeat is the heat that a cubic metre of water takes when it evaporates near 40 °C, J/m³.
	latentHeat = 2.40e9
	// conductivityRise is the rise of a bath's conductivity per kelvin, relative. Common practice: 2 %.
	conductivityRise = 0.02
)

// boiling is where the search for a steady temperature ends, K.
const boiling = 373.15

// HeatPower returns the watts that warm the bath: current·(volts − thermoneutral),
// volts measured at the cell and not at the supply. Negative: the cell cools.
func HeatPower(current, volts, thermoneutral float64) float64 {
	return current * (volts - thermoneutral)
}

// AdiabaticRate returns the rise in K/s of volume m³ of bath at power watts with no loss.
func AdiabaticRate(power, volume float64) float64 {
	if !positive(volume) {
		return math.NaN()
	}
	return power / (VolumetricHeat * volume)
}

// Vessel is what the heat gets out of.
type Vessel struct {
	Volume   float64 // m³ of bath
	OpenArea float64 // m² of open surface; 0: covered
	WallArea float64 // m² of wetted wall; 0: that of an upright cylinder as high as it is wide
}

// Wall returns the wetted wall in m², estimated if it was not given.
func (v Vessel) Wall() float64 {
	if v.WallArea > 0 {
		return v.WallArea
	}
	width := math.Cbrt(4 * v.Volume / math.Pi)
	return 1.25 * math.Pi * width * width // side and bottom
}

// HeatLoss returns the watts that the vessel loses at temperature kelvin in a room at
// ambient kelvin: WallLoss on wall and open surface, and evaporation by the
// practitioner's fit for a still tank, above what the bath would evaporate at ambient.
func (v Vessel) HeatLoss(temperature, ambient float64) float64 {
	dry := WallLoss * (v.Wall() + v.OpenArea) * (temperature - ambient)
	hot, cool := EvaporationAt(temperature, false), EvaporationAt(ambient, false)
	return dry + latentHeat*v.OpenArea*(hot.Practitioner-cool.Practitioner)
}

// SteadyTemperature returns the kelvin at which the vessel in a room at ambient kelvin
// loses power watts. boils is true if that lies above 100 °C; the temperature is then
// 373.15. No lag, no heating or cooling coil. NaN if power is negative,
// volume is not positive or ambient lies outside 273 to 373 K.
func (v Vessel) SteadyTemperature(power, ambient float64) (temperature float64, boils bool) {
	if !notNegative(power, v.OpenArea) || !positive(v.Volume) || !(ambient >= 273 && ambient < boiling) {
		return math.NaN(), false
	}
	if v.HeatLoss(boiling, ambient) <= power {
		return boiling, true
	}
	low, high := ambient, boiling
	for high-low > 1e-6 {
		if middle := (low + high) / 2; v.HeatLoss(middle, ambient) < power {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2, false
}

// TimeConstant returns the seconds in which the bath covers 63 % of the way to its
// steady temperature, from the loss near that temperature: C·ΔT/loss.
func (v Vessel) TimeConstant(temperature, ambient float64) float64 {
	if !(temperature > ambient) {
		temperature = ambient + 1
	}
	return VolumetricHeat * v.Volume * (temperature - ambient) / v.HeatLoss(temperature, ambient)
}

// ConstantVoltageGain returns by what factor the current of a cell held at
// constant voltage ends above its starting current, when that starting current alone would
// warm the bath by rise kelvin: 1/(1 − 0.02·rise), since conductivity grows by
// about 2 % per kelvin and the heat with the current. runsAway is true from 50 K on,
// where the current finds no end but the supply's limit.
func ConstantVoltageGain(rise float64) (gain float64, runsAway bool) {
	switch left := 1 - conductivityRise*rise; {
	case math.IsNaN(rise) || rise < 0:
		return math.NaN(), false
	case left <= 0:
		return math.Inf(1), true
	default:
		return 1 / left, false
	}
}
