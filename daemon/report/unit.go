package report

import "nightcell/integrate/matter"

// Unit is how a figure that is kept in SI is shown: to people in the trade's unit, and in JSON in SI or a decimal
// multiple of it, whose name ends the key.
type Unit struct {
	Symbol    string  // for people; "": a plain number
	PerSI     float64 // of them in one SI unit
	Shift     float64 // added to what is then shown
	Word      string  // in JSON; "": nothing is added to the key
	WordPerSI float64
}

// shown is an SI value as people read it.
func (u Unit) shown(si float64) float64 { return si*u.PerSI + u.Shift }

// The units.
var (
	One                      = Unit{"", 1, 0, "", 1}
	Share                    = Unit{"", 1, 0, "ratio", 1}
	Percent                  = Unit{"%", 100, 0, "ratio", 1}
	PartsPerMillion          = Unit{"ppm", 1e6, 0, "ratio", 1}
	AmpereHours              = Unit{"A·h", 1 / matter.AmpereHour, 0, "coulombs", 1}
	AmpereHoursPerLitre      = Unit{"A·h/L", 1 / matter.AmpereHour / 1e3, 0, "coulombs_per_cubic_metre", 1}
	AmpereHoursPerGram       = Unit{"A·h/g", 1 / matter.AmpereHour / 1e3, 0, "coulombs_per_kilogram", 1}
	Amperes                  = Unit{"A", 1, 0, "amperes", 1}
	Volts                    = Unit{"V", 1, 0, "volts", 1}
	Watts                    = Unit{"W", 1, 0, "watts", 1}
	KilowattHours            = Unit{"kWh", 1 / 3.6e6, 0, "joules", 1}
	KilowattHoursPerKilogram = Unit{"kWh/kg", 1 / 3.6e6, 0, "joules_per_kilogram", 1}
	EnergyPerGram            = Unit{"kWh/kg", 1 / 3.6e6, 0, "joules_per_gram", 1e-3}
	AmperesPerDecimetre      = Unit{"A/dm²", 1e-2, 0, "amperes_per_square_metre", 1}
	Ohms                     = Unit{"Ω", 1, 0, "ohms", 1}
	MoneyPerGram             = Unit{"per g", 1e-3, 0, "per_gram", 1e-3}
	Grams                    = Unit{"g", 1e3, 0, "grams", 1e3}
	GramsPerLitre            = Unit{"g/L", 1, 0, "kilograms_per_cubic_metre", 1}
	Moles                    = Unit{"mol", 1, 0, "moles", 1}
	MolesPerCubicMetre       = Unit{"mol/m³", 1, 0, "moles_per_cubic_metre", 1}
	Litres                   = Unit{"L", 1e3, 0, "cubic_metres", 1}
	LitresOfGas              = Unit{"L", 1e3, 0, "litres", 1e3}
	LitresPerHour            = Unit{"L/h", 1e3 * 3600, 0, "litres_per_hour", 1e3 * 3600}
	CubicMetresPerHour       = Unit{"m³/h", 3600, 0, "cubic_metres_per_hour", 3600}
	Seconds                  = Unit{"s", 1, 0, "seconds", 1}
	Hours                    = Unit{"h", 1 / 3600.0, 0, "seconds", 1}
	Millimetres              = Unit{"mm", 1e3, 0, "metres", 1}
	MicrometresPerHour       = Unit{"µm/h", 3600 * 1e6, 0, "metres_per_second", 1}
	MetresPerSecond          = Unit{"m/s", 1, 0, "metres_per_second", 1}
	SquareCentimetres        = Unit{"cm²", 1e4, 0, "square_metres", 1}
	SquareMillimetres        = Unit{"mm²", 1e6, 0, "square_millimetres", 1e6}
	Celsius                  = Unit{"°C", 1, -matter.ZeroCelsius, "kelvins", 1}
	KelvinsPerHour           = Unit{"K/h", 3600, 0, "kelvins_per_hour", 3600}
	Money                    = Unit{"", 1, 0, "", 1}
)
