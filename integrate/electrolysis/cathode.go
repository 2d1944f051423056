package electrolysis

import (
	"cmp"
	"math"
	"slices"

	"nightcell/integrate/matter"
)

// Verdict says how a cathode material stands with a metal and a medium.
type Verdict uint8

// The verdicts, best first.
const (
	Usual Verdict = iota
	Possible
	Avoid
)

// String returns the word for plans.
func (v Verdict) String() string {
	return [...]string{"usual", "possible", "avoid"}[v]
}

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
	names := []string{"aluminium", "titanium", "stainless steel", "graphite", "copper", "lead", "nickel", "iron", "platinum"}
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

// lessNoble tells whether the metal lies well below hydrogen, so that a cathode of low
// hydrogen overpotential would make gas instead of metal.
func lessNoble(metal string) bool {
	return slices.Contains([]string{"Zn", "Mn", "Cd", "Fe", "Cr", "In", "Tl", "Ni", "Co", "Sn", "Pb", "Ga"}, metal)
}

func judgeCathode(name, metal string, medium matter.Medium, chloride bool) (Verdict, string) {
	own, _ := findSurface(metal)
	alkali := medium == matter.Alkaline || medium == matter.Cyanide
	usual := name == "aluminium" && slices.Contains([]string{"Zn", "Cd"}, metal) ||
		name == "stainless steel" && slices.Contains([]string{"Cu", "Ni", "Co", "Mn", "Ag", "Au", "Fe", "Pd", "Pb", "Sn", "In", "Bi", "Tl"}, metal)
	for _, row := range []struct {
		holds   bool
		verdict Verdict
		advice  string
	}{
		{name == "aluminium" && alkali, Avoid, "dissolves in alkali with hydrogen, also with the current off"},
		{name == "aluminium" && chloride, Avoid, "pits in chloride, and the deposit then keys in and will not strip"},
		{name == "titanium" && medium == matter.Fluoborate, Avoid, "fluoride dissolves its skin"},
		{name == own.Name, Usual, "starter sheet of the same metal, not stripped: weigh it, and insert it with the current on if the bath attacks it"},
		{usual && chloride, Possible, "the usual blank, but chloride pits it without current: do not leave it in the bath with the current off"},
		{usual, Usual, "deposit strips from the oxide skin; edges masked, and weighed clean and dry beforehand"},
		{name == "platinum", Avoid, "very low hydrogen overpotential, and the deposit alloys with it"},
		{name == "nickel" && lessNoble(metal), Avoid, "low hydrogen overpotential: traces of it redissolve base metals"},
		{name == "iron" && alkali, Possible, "resists alkali; the deposit does not strip"},
		{name == "iron", Avoid, "dissolves in acid without current and contaminates the bath with iron"},
		{name == "copper" && lessNoble(metal), Possible, "the deposit adheres and alloys: for samples, not for stripping"},
		{name == "lead", Possible, "high overpotential, but soft and poisonous; the deposit does not strip cleanly"},
		{name == "graphite", Possible, "deposit keys into the pores; crumbles under strong gassing"},
		{name == "titanium", Possible, "strips well; takes up hydrogen and becomes brittle under long gassing"},
		{name == "aluminium", Possible, "corrodes in acid without current: insert it with the current on, and remove it at the hold current"},
	} {
		if row.holds {
			return row.verdict, row.advice
		}
	}
	return Possible, "no common practice known for this pair: try a coupon first"
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
	Name            string  // in words, as configurations name the cathode: "aluminium"
	Symbol          string  // of the metal, "" for one that is no element
	ExchangeDensity float64 // A/m², of hydrogen from about 1 mol/L acid
	TafelSlope      float64 // V per decade
}

// hydrogenOn is a surface with log10 of the exchange current density in A/cm², as it is printed, and the Tafel slope in V.
func hydrogenOn(name, symbol string, log, slope float64) surface {
	return surface{name, symbol, math.Pow(10, log+4), slope}
}

var surfaces = []surface{
	hydrogenOn("lead", "Pb", -12.0, 0.12),
	hydrogenOn("thallium", "Tl", -11.0, 0.12),
	hydrogenOn("indium", "In", -11.0, 0.12),
	hydrogenOn("manganese", "Mn", -10.9, 0.12),
	hydrogenOn("cadmium", "Cd", -10.8, 0.12),
	hydrogenOn("zinc", "Zn", -10.5, 0.12),
	hydrogenOn("bismuth", "Bi", -9.5, 0.12),
	hydrogenOn("tin", "Sn", -9.2, 0.12),
	hydrogenOn("titanium", "Ti", -8.2, 0.12),
	hydrogenOn("aluminium", "Al", -8.0, 0.12),
	hydrogenOn("graphite", "", -8.0, 0.12),
	hydrogenOn("silver", "Ag", -7.8, 0.12),
	hydrogenOn("copper", "Cu", -7.7, 0.12),
	hydrogenOn("chromium", "Cr", -7.0, 0.12),
	hydrogenOn("stainless steel", "", -6.5, 0.12),
	hydrogenOn("iron", "Fe", -6.0, 0.12),
	hydrogenOn("gold", "Au", -5.4, 0.12),
	hydrogenOn("cobalt", "Co", -5.3, 0.12),
	hydrogenOn("nickel", "Ni", -5.2, 0.12),
	hydrogenOn("platinum", "Pt", -3.1, 0.03),
	hydrogenOn("palladium", "Pd", -3.0, 0.03),
}

// findSurface returns the surface of that name or element symbol.
func findSurface(nameOrSymbol string) (surface, bool) {
	for _, s := range surfaces {
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
	s.ExchangeDensity *= math.Pow(10, hydrogenWarmth*(kelvin-matter.RoomTemperature)/s.TafelSlope)
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
		Value: math.Max(0, warm.TafelSlope*math.Log10(density/warm.ExchangeDensity)), StandardUncertainty: kineticsUncertainty,
		Mark: matter.Assumed, Source: kineticsSource,
	}
}
