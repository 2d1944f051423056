package electrolysis

// The trade's units of current density in A/m².
const (
	AmperePerSquareDecimetre       = 100.0           // A/dm²
	MilliamperePerSquareCentimetre = 10.0            // mA/cm²
	AmperePerSquareFoot            = 1 / squareFoot  // ASF
	squareFoot                     = 0.3048 * 0.3048 // m², exact by the international foot
)

// Densities is one current density in every unit that the trade writes.
type Densities struct {
	AmperesPerSquareMetre           float64
	AmperesPerSquareDecimetre       float64
	MilliamperesPerSquareCentimetre float64
	AmperesPerSquareFoot            float64
}

// ConvertDensity returns a current density of amperes per square metre in every unit.
func ConvertDensity(density float64) Densities {
	return Densities{
		AmperesPerSquareMetre:           density,
		AmperesPerSquareDecimetre:       density / AmperePerSquareDecimetre,
		MilliamperesPerSquareCentimetre: density / MilliamperePerSquareCentimetre,
		AmperesPerSquareFoot:            density / AmperePerSquareFoot,
	}
}
