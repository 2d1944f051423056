package electrolysis

import (
	"cmp"
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
	switch v {
	case Usual:
		return "usual"
	case Possible:
		return "possible"
	}
	return "avoid"
}

// Cathode is one candidate with what speaks for and against it. The advice is
// common practice without a source.
type Cathode struct {
	Material      string
	Overpotential matter.Figure // V of hydrogen at the density asked for, on the bare material
	Verdict       Verdict
	Advice        string
}

// RankCathodes returns the practical cathode materials for the metal of that symbol
// in the medium, with chloride mol/m³ in it, at density A/m² and kelvin, the highest hydrogen overpotential first, the
// starter sheet of the metal itself among them. The ranking
// counts for the first minutes; once the blank is covered, the deposit itself is the
// cathode (HydrogenOverpotential of the metal's symbol).
func RankCathodes(metal string, medium matter.Medium, chloride, density, kelvin float64) []Cathode {
	names := []string{"aluminium", "titanium", "stainless steel", "graphite", "copper", "lead", "nickel", "iron", "platinum"}
	if own, found := FindSurface(metal); found && !slices.Contains(names, own.Name) {
		names = append(names, own.Name)
	}
	list := make([]Cathode, 0, len(names))
	for _, name := range names {
		verdict, advice := judgeCathode(name, metal, medium, hasChloride(medium, chloride))
		list = append(list, Cathode{name, HydrogenOverpotential(name, density, kelvin), verdict, advice})
	}
	slices.SortStableFunc(list, func(a, b Cathode) int {
		return cmp.Compare(b.Overpotential.Value, a.Overpotential.Value)
	})
	return list
}

// usualCathode names the blank that the trade takes for a metal.
func usualCathode(metal string) string {
	switch metal {
	case "Zn", "Cd":
		return "aluminium"
	case "Cu", "Ni", "Co", "Mn", "Ag", "Au", "Fe", "Pd":
		return "stainless steel"
	case "Pb", "Sn", "In", "Bi", "Tl":
		return "stainless steel"
	}
	return ""
}

// lessNoble tells whether the metal lies well below hydrogen, so that a cathode of low
// hydrogen overpotential would make gas instead of metal.
func lessNoble(metal string) bool {
	switch metal {
	case "Zn", "Mn", "Cd", "Fe", "Cr", "In", "Tl", "Ni", "Co", "Sn", "Pb", "Ga":
		return true
	}
	return false
}

func judgeCathode(name, metal string, medium matter.Medium, chloride bool) (Verdict, string) {
	own, _ := FindSurface(metal)
	switch {
	case name == "aluminium" && (medium == matter.Alkaline || medium == matter.Cyanide):
		return Avoid, "dissolves in alkali with hydrogen, also with the current off"
	case name == "aluminium" && chloride:
		return Avoid, "pits in chloride, and the deposit then keys in and will not strip"
	case name == "titanium" && medium == matter.Fluoborate:
		return Avoid, "fluoride dissolves its skin"
	case name == own.Name:
		return Usual, "starter sheet of the same metal: nothing to strip; weigh it, and enter it live if the bath attacks it"
	case name == usualCathode(metal) && chloride:
		return Possible, "the usual blank, but chloride pits it when the current is off: do not leave it standing in the bath without current"
	case name == usualCathode(metal):
		return Usual, "deposit strips from the oxide skin; edges masked, and weighed clean and dry beforehand"
	case name == "platinum":
		return Avoid, "lets hydrogen off almost freely, and the deposit alloys with it"
	case name == "nickel" && lessNoble(metal):
		return Avoid, "low hydrogen overpotential: traces of it make base metals dissolve again"
	case name == "iron" && (medium == matter.Alkaline || medium == matter.Cyanide):
		return Possible, "stands alkali; the deposit does not strip"
	case name == "iron":
		return Avoid, "dissolves in acid before and after the current, and soils the bath with iron"
	case name == "copper" && lessNoble(metal):
		return Possible, "the deposit adheres and alloys: for samples, not for stripping"
	case name == "lead":
		return Possible, "high overpotential but soft, poisonous, and the deposit does not come off clean"
	case name == "graphite":
		return Possible, "deposit keys into the pores; crumbles under strong gassing"
	case name == "titanium":
		return Possible, "strips well; takes up hydrogen and grows brittle if it gasses for long"
	case name == "aluminium":
		return Possible, "corrodes in acid without current: enter it live, and take it out at the hold current"
	}
	return Possible, "no common practice known for this pair: try a coupon first"
}

// hasChloride tells whether there is enough chloride to name, with chloride in mol/m³.
func hasChloride(medium matter.Medium, chloride float64) bool {
	return medium == matter.Chloride || chloride > traceChloride
}
