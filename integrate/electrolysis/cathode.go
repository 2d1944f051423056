package electrolysis

import (
	"cmp"
	"math"
	"slices"

	"nightcell/integrate/matter"
)

// Verdict says how a cathode material stands with a metal and a medium.
type Verdict string

// The verdicts, best first.
const (
	Usual    Verdict = "usual"
	Possible Verdict = "possible"
	Avoid    Verdict = "avoid"
)

// Cathode is one candidate with what speaks for and against it. The advice is
// common practice without a source.
type Cathode struct {
	Material      string
	Overpotential matter.Figure // V of hydrogen at the density asked for, on the bare material
	Verdict       Verdict
	Advice        string
}

// rankCathodes returns the practical cathode materials for the metal of that symbol
// in the medium, with chloride mol/m³ in it, at density A/m² and kelvin, the highest hydrogen overpotential first, the
// starter sheet of the metal itself among them. The ranking
// counts for the first minutes; once the blank is covered, the deposit itself is the
// cathode (hydrogenOverpotential of the metal's symbol).
func rankCathodes(metal string, medium matter.Medium, chloride, density, kelvin float64) []Cathode {
	names := slices.Clone(tables().Blanks)
	if own, found := findSurface(metal); found && !slices.Contains(names, own.Name) {
		names = append(names, own.Name)
	}
	list := make([]Cathode, 0, len(names))
	for _, name := range names {
		verdict, advice := judgeCathode(name, metal, medium, hasChloride(medium, chloride))
		list = append(list, Cathode{name, hydrogenOverpotential(name, density, kelvin), verdict, advice})
	}
	slices.SortStableFunc(list, func(a, b Cathode) int {
		return cmp.Compare(b.Overpotential.Value, a.Overpotential.Value)
	})
	return list
}

func judgeCathode(name, metal string, medium matter.Medium, chloride bool) (Verdict, string) {
	own, _ := findSurface(metal)
	for _, row := range tables().Cathode {
		if row.holds(name, metal, medium, chloride) && (!row.Own || name == own.Name) {
			return row.Verdict, row.Advice
		}
	}
	return Possible, "" // not after the last row, which holds for all
}

// hasChloride tells whether there is enough chloride to name, with chloride in mol/m³.
func hasChloride(medium matter.Medium, chloride float64) bool {
	return medium == matter.Chloride || chloride > traceChloride
}

// kineticsSource is said of every exchange current density of this package.
const kineticsSource = "exchange current density from memory of the compilations of Trasatti (J. Electroanal. Chem. 39 (1972) 163) " +
	"and Bockris and Reddy, Modern Electrochemistry, for acid at 25 °C; prints differ by a factor of ten and more"

// kineticsUncertainty is the standard uncertainty in V of a hydrogen overpotential
// from the table: a decade of exchange current density at 0.12 V per decade.
const kineticsUncertainty = 0.12

// surface is an electrode surface on which hydrogen comes off from acid at 25 °C.
type surface struct {
	Name        string  // in words, as configurations name the cathode: "aluminium"
	Symbol      string  // of the metal, "" for one that is no element
	LogExchange float64 `toml:"log_exchange"` // as printed
	TafelSlope  float64 `toml:"tafel_slope"`  // V per decade
	exchange    float64 // A/m², exchange current density of hydrogen from about 1 mol/L acid
}

// findSurface returns the surface of that name or element symbol.
func findSurface(nameOrSymbol string) (surface, bool) {
	for _, s := range tables().Surface {
		if s.Name == nameOrSymbol || s.Symbol == nameOrSymbol && nameOrSymbol != "" {
			return s, true
		}
	}
	return surface{}, false
}

// hydrogenWarmth is by how many volts a kelvin lowers the overpotential of hydrogen; from memory, 1 to 4 mV are printed.
const hydrogenWarmth = 2e-3

// at is the surface at another temperature, where more hydrogen comes off at the same potential.
func (s surface) at(kelvin float64) surface {
	s.exchange *= math.Pow(10, hydrogenWarmth*(kelvin-matter.RoomTemperature)/s.TafelSlope)
	return s
}

// hydrogenOverpotential returns by how many volts a surface must be driven below the hydrogen potential to make hydrogen at density A/m² and
// kelvin, by Tafel's law b·log10(i/i0), and how good that figure is; zero below the exchange current density, and the zero Figure if the surface is not in the table.
func hydrogenOverpotential(nameOrSymbol string, density, kelvin float64) matter.Figure {
	s, found := findSurface(nameOrSymbol)
	if !found {
		return matter.Figure{}
	}
	warm := s.at(kelvin)
	return matter.Figure{
		Value: math.Max(0, warm.TafelSlope*math.Log10(density/warm.exchange)), StandardUncertainty: kineticsUncertainty,
		Mark: matter.Assumed, Source: kineticsSource,
	}
}
