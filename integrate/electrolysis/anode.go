package electrolysis

import (
	"math"
	"slices"

	"nightcell/integrate/matter"
)

// anolyteLiquid is what stands before the anode. In an undivided cell it is the bath.
type anolyteLiquid struct {
	Medium      matter.Medium
	PH          float64
	Chloride    float64  // mol/m³; 0: none known
	Temperature float64  // K
	Others      []string // symbols of other metals dissolved in the bath
}

// Reaction is one reaction that an insoluble anode may run.
type Reaction struct {
	Name      string  // such as "oxygen from water"
	Gas       Gas     // NoGas if it makes none
	Potential float64 // V against the standard hydrogen electrode, at equilibrium
	Expected  bool    // this one is expected to carry most of the current
	Note      string  // what a person should know of it
}

// traceChloride is the chloride in mol/m³ (0.5 g/L) above which chlorine is worth naming
// in a bath that is not called a chloride one. Common practice, no source.
const traceChloride = 14.0

// anodeReactions returns what an insoluble anode may run in the anolyte with the
// metal of that symbol, and the others, dissolved in it, the expected main reaction first. By
// thermodynamics oxygen comes before chlorine everywhere; in a chloride bath
// kinetics turns this round on most anodes, so both are listed and neither is
// promised. The potentials are at one atmosphere of gas.
func anodeReactions(a anolyteLiquid, metal string) []Reaction {
	oxygen := Reaction{Name: "oxygen from water", Gas: Oxygen, Potential: oxygenPotential(a.PH, a.Temperature), Expected: a.Medium != matter.Chloride}
	if a.Medium == matter.Alkaline || a.Medium == matter.Cyanide {
		oxygen.Name, oxygen.Note = "oxygen from hydroxide", "uses up alkali: watch the pH"
	}
	chloride := a.Chloride
	if !(chloride > 0) {
		chloride = standardConcentration
	}
	chlorine := Reaction{
		Name: "chlorine from chloride", Gas: Chlorine, Potential: chlorinePotential(chloride, a.Temperature), Expected: a.Medium == matter.Chloride,
		Note: "poisonous: fume hood, anode compartment scrubbed with alkali; " +
			"above about pH 3 part of it stays dissolved as hypochlorite and comes off later",
	}
	main := []Reaction{oxygen}
	switch {
	case chlorine.Expected:
		oxygen.Note = "runs beside chlorine, more so when chloride is dilute or the pH is high"
		main = []Reaction{chlorine, oxygen}
	case a.Chloride > traceChloride:
		main = append(main, chlorine)
	}
	main = append(main, sideReactions(a, metal)...)
	for _, other := range a.Others {
		for _, r := range sideReactions(a, other) {
			if !slices.ContainsFunc(main, func(m Reaction) bool { return m.Name == r.Name }) { // that of the medium is there already
				main = append(main, r)
			}
		}
	}
	return main
}

// sideReactions returns what the metal or the medium adds.
func sideReactions(a anolyteLiquid, metal string) (side []Reaction) {
	for _, row := range tables().Reaction {
		if !row.holds("", metal, a.Medium, false) {
			continue
		}
		if row.Acid > 0 && !a.Medium.Acidic() {
			row.Potential = math.NaN() // there the metal is no plain ion
		} else if row.Acid > 0 {
			row.Potential += row.Acid * hydrogenPotential(a.PH, a.Temperature) // V per one H⁺ per electron
		}
		side = append(side, row.Reaction)
	}
	return side
}

// anodeCharge is what the charge of a run does at the anode, C: it makes oxide of the metal, gases, and dissolves metal with the rest.
type anodeCharge struct {
	Oxide float64
	Gas   [Chlorine + 1]float64
}

// atAnode divides the charge where the anode takes metal in mol, below zero gives it: first that, then chlorine as far as the known chloride
// reaches, where it is the expected gas; the rest makes oxygen.
func (a *Assessment) atAnode(metal float64) anodeCharge {
	c, s := a.Conditions, anodeCharge{}
	left := c.Charge.Value
	part := func(q float64) float64 {
		q = math.Min(math.Max(q, 0), left)
		left -= q
		return q
	}
	if c.SolubleAnode {
		part(-metal * float64(a.Couple.Valence) * matter.Faraday)
	} else {
		s.Oxide = part(metal * float64(c.Oxide.Electrons) * matter.Faraday)
	}
	if len(a.Anode) > 0 && a.Anode[0].Gas == Chlorine {
		s.Gas[Chlorine] = part(a.chlorideStock())
	}
	s.Gas[Oxygen] = left
	return s
}

// anodeCharges are those of the likeliest metal at the anode and of its two ends.
func (a *Assessment) anodeCharges() (best, low, high anodeCharge) {
	m := a.Conditions.AtAnode
	return a.atAnode(m.Value), a.atAnode(m.Low), a.atAnode(m.High)
}

// acid is the mol of H⁺ that the anode makes: one per faraday of oxygen, and what the oxide of the metal sets free.
func (s anodeCharge) acid(c *Conditions) float64 {
	perOxide, _ := c.Oxide.PerFaraday(c.Metal)
	return (s.Gas[Oxygen] + s.Oxide*perOxide) / matter.Faraday
}

// water is the mol of water that the anode splits: half a mol per faraday of oxygen, and what the oxide of the metal takes.
func (s anodeCharge) water(c *Conditions) float64 {
	_, perOxide := c.Oxide.PerFaraday(c.Metal)
	return (s.Gas[Oxygen]/2 + s.Oxide*perOxide) / matter.Faraday
}
