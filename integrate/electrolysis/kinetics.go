package electrolysis

import (
	"math"
	"slices"
	"strings"

	"nightcell/integrate/matter"
)

// kineticsSource is said of every exchange current density of this package.
const kineticsSource = "exchange current density from memory of the compilations of Trasatti (J. Electroanal. Chem. 39 (1972) 163) " +
	"and Bockris and Reddy, Modern Electrochemistry, for acid at 25 °C; prints differ by a factor of ten and more"

// kineticsUncertainty is the standard uncertainty in V of a hydrogen overpotential
// from the table: a decade of exchange current density at 0.12 V per decade.
const kineticsUncertainty = 0.12

// Surface is an electrode surface on which hydrogen comes off from acid at 25 °C.
type Surface struct {
	Name            string  // in words, as configurations name the cathode: "aluminium"
	Symbol          string  // of the metal, "" for one that is no element
	ExchangeDensity float64 // A/m², of hydrogen from about 1 mol/L acid
	TafelSlope      float64 // V per decade
}

// surfaces holds log10 of the exchange current density in A/cm², as it is printed.
func surfaces() []Surface {
	table := []struct {
		name, symbol string
		log, slope   float64
	}{
		{"lead", "Pb", -12.0, 0.12},
		{"thallium", "Tl", -11.0, 0.12},
		{"indium", "In", -11.0, 0.12},
		{"manganese", "Mn", -10.9, 0.12},
		{"cadmium", "Cd", -10.8, 0.12},
		{"zinc", "Zn", -10.5, 0.12},
		{"bismuth", "Bi", -9.5, 0.12},
		{"tin", "Sn", -9.2, 0.12},
		{"titanium", "Ti", -8.2, 0.12},
		{"aluminium", "Al", -8.0, 0.12},
		{"graphite", "", -8.0, 0.12},
		{"silver", "Ag", -7.8, 0.12},
		{"copper", "Cu", -7.7, 0.12},
		{"chromium", "Cr", -7.0, 0.12},
		{"stainless steel", "", -6.5, 0.12},
		{"iron", "Fe", -6.0, 0.12},
		{"gold", "Au", -5.4, 0.12},
		{"cobalt", "Co", -5.3, 0.12},
		{"nickel", "Ni", -5.2, 0.12},
		{"platinum", "Pt", -3.1, 0.03},
		{"palladium", "Pd", -3.0, 0.03},
	}
	list := make([]Surface, len(table))
	for i, row := range table {
		list[i] = Surface{row.name, row.symbol, math.Pow(10, row.log+4), row.slope}
	}
	return list
}

// FindSurface returns the surface of that name or element symbol.
func FindSurface(nameOrSymbol string) (Surface, bool) {
	for _, s := range surfaces() {
		if s.Name == nameOrSymbol || s.Symbol == nameOrSymbol && nameOrSymbol != "" {
			return s, true
		}
	}
	return Surface{}, false
}

// knownCathode tells whether a person's words name a surface of the table.
func knownCathode(words string) bool {
	_, symbol := FindSurface(words)
	return symbol || slices.ContainsFunc(surfaces(), func(s Surface) bool { return strings.Contains(strings.ToLower(words), s.Name) })
}

// Overpotential returns by how many volts the surface must be driven below the
// hydrogen potential to make hydrogen at density A/m² and kelvin, by Tafel's law b·log10(i/i0);
// zero below the exchange current density. NaN if density or temperature is not positive.
func (s Surface) Overpotential(density, kelvin float64) float64 {
	if !positive(density, s.ExchangeDensity, kelvin) {
		return math.NaN()
	}
	warm := s.at(kelvin)
	return math.Max(0, warm.TafelSlope*math.Log10(density/warm.ExchangeDensity))
}

// hydrogenWarmth is by how many volts a kelvin lowers the overpotential of hydrogen; from memory, 1 to 4 mV are printed.
const hydrogenWarmth = 2e-3

// at is the surface at another temperature, where more hydrogen comes off at the same potential.
func (s Surface) at(kelvin float64) Surface {
	s.ExchangeDensity *= math.Pow(10, hydrogenWarmth*(kelvin-matter.RoomTemperature)/s.TafelSlope)
	return s
}

// HydrogenOverpotential returns the overpotential in volts as a figure that says how
// good it is; the zero Figure if the surface is not in the table.
func HydrogenOverpotential(nameOrSymbol string, density, kelvin float64) matter.Figure {
	s, found := FindSurface(nameOrSymbol)
	if !found || !positive(density) {
		return matter.Figure{}
	}
	return matter.Figure{
		Value: s.Overpotential(density, kelvin), StandardUncertainty: kineticsUncertainty,
		Mark: matter.Assumed, Source: kineticsSource,
	}
}
