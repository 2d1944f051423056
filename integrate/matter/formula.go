package matter

import (
	"math"
	"slices"
	"strings"
)

// Formula is a parsed chemical formula. The zero Formula is empty.
type Formula struct {
	text   string // normalized: middle dots, ASCII digits, no spaces, charge as ^2+
	atoms  []Atoms
	Charge int // elementary charges, kept for the word about it; it weighs nothing here
	// Notes are words the reader of a plan should see, such as that a charge was ignored.
	Notes []string
}

// Atoms is how often an element occurs in a formula unit. The number is not
// always whole: a hemihydrate has half a water.
type Atoms struct {
	Element Element
	Number  float64
}

// String returns the formula in a normal form that parses to the same formula.
func (f Formula) String() string { return f.text }

// Atoms lists the elements in the order of the formula.
func (f Formula) Atoms() []Atoms { return slices.Clone(f.atoms) }

// Count returns how often the element with this symbol occurs.
func (f Formula) Count(symbol string) float64 {
	for _, a := range f.atoms {
		if a.Element.Symbol == symbol {
			return a.Number
		}
	}
	return 0
}

// MolarMass returns the molar mass in kg/mol and its standard uncertainty. All
// atoms of one element share one error, so u = sqrt(sum (n_i u_i)^2) with n_i atoms of element i.
func (f Formula) MolarMass() (kgPerMol, standardUncertainty float64) {
	var variance float64
	for _, a := range f.atoms {
		kgPerMol += a.Number * a.Element.Weight.Value
		variance += math.Pow(a.Number*a.Element.Weight.StandardUncertainty, 2)
	}
	return kgPerMol, math.Sqrt(variance)
}

// MassFraction returns the mass of an element per mass of the compound, and its
// standard uncertainty with the element's own error counted once, in both. It is 0 for an absent element.
func (f Formula) MassFraction(symbol string) (fraction, standardUncertainty float64) {
	total, _ := f.MolarMass()
	if total == 0 {
		return 0, 0
	}
	i := slices.IndexFunc(f.atoms, func(a Atoms) bool { return a.Element.Symbol == symbol })
	if i < 0 {
		return 0, 0
	}
	fraction = f.atoms[i].Number * f.atoms[i].Element.Weight.Value / total
	var variance float64
	for j, a := range f.atoms {
		sensitivity := -fraction * a.Number / total
		if j == i {
			sensitivity = (1 - fraction) * a.Number / total
		}
		variance += math.Pow(sensitivity*a.Element.Weight.StandardUncertainty, 2)
	}
	return fraction, math.Sqrt(variance)
}

// Medium guesses the medium that a salt makes when dissolved in water, from its
// anion. It is empty for oxides, carbonates and whatever else takes an acid to dissolve.
func (f Formula) Medium() Medium {
	has := func(symbols ...string) bool {
		for _, s := range symbols {
			if f.Count(s) == 0 {
				return false
			}
		}
		return true
	}
	switch {
	case has("Cr", "O") && (strings.Contains(f.text, "CrO3") || strings.Contains(f.text, "CrO4") || strings.Contains(f.text, "Cr2O7")):
		return Chromic
	case f.hydroxo():
		return Alkaline
	case has("C", "N") && !has("O"):
		return Cyanide
	case has("C", "N") && strings.Contains(f.text, "CN"):
		return Cyanide
	case strings.Contains(f.text, "NH2SO3") || strings.Contains(f.text, "SO3NH2"):
		return Sulfamate
	case has("C", "S", "O") && strings.Contains(f.text, "SO3"):
		return Methanesulfonate
	case has("S", "O") && strings.Contains(f.text, "SO4"):
		return Sulfate
	case has("B", "F"), has("Si", "F"):
		return Fluoborate
	case has("N", "O") && strings.Contains(f.text, "NO3"):
		return Nitrate
	case f.Chloride():
		return Chloride
	}
	return ""
}

// Chloride says whether the formula holds chlorine as chloride, and not in chlorate or perchlorate.
func (f Formula) Chloride() bool { return f.Count("Cl") > 0 && !strings.Contains(f.text, "ClO") }

// Ammonium says whether the formula brings ammonium or ammonia.
func (f Formula) Ammonium() bool {
	return strings.Contains(f.text, "NH4") || strings.Contains(f.text, "NH3")
}

// hydroxo says whether the formula is an alkali zincate, stannate, gallate or
// tellurite: alkali metal, one of these, oxygen, hydrogen, and nothing else.
func (f Formula) hydroxo() bool {
	alkali, metal := false, false
	for _, a := range f.atoms {
		switch a.Element.Symbol {
		case "Na", "K":
			alkali = true
		case "Zn", "Sn", "Ga", "Te":
			metal = true
		case "O", "H":
		default:
			return false
		}
	}
	return alkali && metal && f.Count("O") > 0
}

// collect turns counted elements into atoms in order of first mention and joins repeats.
func collect(counted []Atoms) []Atoms {
	var out []Atoms
	for _, a := range counted {
		i := slices.IndexFunc(out, func(o Atoms) bool { return o.Element.Symbol == a.Element.Symbol })
		if i < 0 {
			out = append(out, a)
			continue
		}
		out[i].Number += a.Number
	}
	return out
}
