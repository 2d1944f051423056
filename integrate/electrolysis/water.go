package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// Unit factors of the two sources on evaporation.
const (
	litresPerGallon = 3.785411784                                       // US gallon, exact
	gallonRate      = litresPerGallon * 1e-3 / 3600 / (0.3048 * 0.3048) // m/s for one gallon per hour and square foot
)

// WaterSplit returns the kilograms of water that charge coulombs take apart when the
// anode splits waterPerElectron mol per mol of electrons (0.5 for oxygen: 0.336 g/A·h,
// 0 for chlorine). It does not depend on the current efficiency while the cathode side is acid.
func WaterSplit(charge, waterPerElectron float64) float64 {
	if !notNegative(charge, waterPerElectron) {
		return math.NaN()
	}
	return charge / matter.Faraday * waterPerElectron * matter.MolarMassH2O
}

// Evaporation is what two sources say that an open surface loses, as m³ of water
// per m² and second, which is also how fast the level falls in m/s.
type Evaporation struct {
	Practitioner float64 // fit of a plating practitioner, still or air-agitated
	Report       float64 // line through the two points of the 1982 report; always of a still tank
}

// Disagreement returns the larger of the two figures over the smaller.
func (e Evaporation) Disagreement() float64 {
	return math.Max(e.Practitioner, e.Report) / math.Min(e.Practitioner, e.Report)
}

// EvaporationAt returns how fast an open bath at temperature kelvin loses water
// in a room. bubbled chooses the practitioner's figure for air-agitated tanks, which also fits a
// strongly gassing cell. NaN outside 273 to 373 K.
//
// Sources: practitioner's fits at finishing.com 149/24, E = exp(−(7.2 − 0.03236·°F)) US
// gal/(ft²·h) still and exp(−(5.95 − 0.0265·°F)) bubbled; US EPA 625/8-82-008 as quoted by
// Products Finishing, 0.017 gal/(h·ft²) at 27 °C and 0.30 at 82 °C still, here joined by a
// straight line of the logarithm. They differ by about 1.7 times near room temperature, and a
// draught or a fume hood can double either.
func EvaporationAt(temperature float64, bubbled bool) Evaporation {
	if !(temperature >= 273 && temperature <= 373.2) {
		return Evaporation{math.NaN(), math.NaN()}
	}
	celsius := temperature - 273.15
	fahrenheit := celsius*9/5 + 32
	fit := math.Exp(-(7.2 - 0.03236*fahrenheit))
	if bubbled {
		fit = math.Exp(-(5.95 - 0.0265*fahrenheit))
	}
	const cool, hot = 0.017, 0.30 // gal/(h·ft²) at 27 and 82 °C
	report := cool * math.Pow(hot/cool, (celsius-27)/(82-27))
	return Evaporation{Practitioner: fit * gallonRate, Report: report * gallonRate}
}
