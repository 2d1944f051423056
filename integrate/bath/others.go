package bath

import (
	"fmt"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Other is a metal in the bath besides the one to be won, which may plate with it. The target
// counts nothing of it, and the watch does not follow it.
type Other struct {
	Metal  matter.Metal
	Couple matter.Couple // of the bath's medium
	Amount matter.Figure // kg
	Charge matter.Figure // C to win all of it at an efficiency of 1
}

// mol returns the moles of formula units that a salt brings into the volume, with the weakest
// mark of what went in; not Known if neither mass nor concentration is stated.
func (salt Salt) mol(f matter.Formula, volume matter.Figure) matter.Figure {
	assay := salt.Assay
	if !assay.Known() {
		assay = matter.Figure{Value: 1, Mark: matter.Assumed, Source: "no assay stated"}
	}
	assay = doubted(assay, AssayDoubt)
	mass := doubted(salt.Mass, BalanceDoubt)
	if !mass.Known() {
		c := doubted(salt.Concentration, ConcentrationDoubt)
		if !c.Known() {
			return matter.Figure{}
		}
		mass = product(c, volume)
	}
	molar, molarDoubt := f.MolarMass()
	weight := matter.Figure{Value: 1 / molar, StandardUncertainty: molarDoubt / (molar * molar), Mark: matter.Published}
	return product(product(mass, assay), weight)
}

// unstatedChloride is taken for a chloride of which nobody says how much there is, mol/m3, so that no
// plan forgets the chlorine.
const unstatedChloride = 1000

// findOthers lists the other metals of the table, adds up the chloride, and looks for ammonium, that the salts bring.
func (c Contents) findOthers(s *contents, formulas []matter.Formula) {
	for i, f := range formulas {
		units := c.Salts[i].mol(f, s.volume)
		s.ammonium = s.ammonium || f.Ammonium()
		s.dissolve(f, units)
		switch {
		case !f.Chloride():
		case units.Known():
			s.chloride = added(s.chloride, perVolume(scaledFigure(units, f.Count("Cl")), s.volume))
		default:
			s.chloride = added(s.chloride, matter.Figure{Value: unstatedChloride, StandardUncertainty: unstatedChloride / 2, Mark: matter.Assumed, Source: "no amount stated"})
		}
		for _, metal := range matter.WinnableIn(f) {
			symbol := metal.String()
			if symbol == s.metal.String() || !units.Known() { // without a mass it is a mistake, and reported
				continue
			}
			other := s.other(metal)
			other.Amount = added(other.Amount, scaledFigure(units, f.Count(symbol)*metal.Element.Weight.Value))
		}
	}
	for i := range s.others {
		o := &s.others[i]
		o.Charge = scaledFigure(o.Amount, float64(o.Couple.Valence)*matter.Faraday/o.Metal.Element.Weight.Value)
	}
}

// dissolve adds what a salt brings to the balance of the liquid, and says how much acid or base an oxide, a hydroxide or a
// carbonate takes to dissolve.
func (s *contents) dissolve(f matter.Formula, units matter.Figure) {
	brings, err := solution.FromFormula(f)
	if err != nil || !units.Known() {
		return // what the table has no constants for is left out of the balance
	}
	if s.dissolved == nil {
		s.dissolved = solution.Totals{}
	}
	s.dissolved.Add(brings, units.Value/s.volume.Value)
	if acid := -brings[solution.H] * units.Value; acid > 0 && f.Count(s.metal.String()) > 0 && s.medium.Acidic() && s.medium != "" {
		grams := ""
		if s.medium == matter.Sulfate {
			grams = fmt.Sprintf(", %.3g g of sulfuric acid", acid/2*1e3*sulfuricMolarMass)
		}
		s.notes = append(s.notes, fmt.Sprintf("Dissolving the %s takes %.3g mol of H+%s, which the run releases again.", f, acid, grams))
	}
}

// sulfuricMolarMass is that of H2SO4, kg/mol.
const sulfuricMolarMass = 98.07e-3

// other returns the entry of a metal, a new one if there is none yet.
func (s *contents) other(metal matter.Metal) *Other {
	for i := range s.others {
		if s.others[i].Metal.String() == metal.String() {
			return &s.others[i]
		}
	}
	couple, err := metal.Couple(s.medium, 0)
	if err != nil {
		couple = metal.Couples[0] // every metal of the table has one
	}
	s.others = append(s.others, Other{Metal: metal, Couple: couple})
	return &s.others[len(s.others)-1]
}
