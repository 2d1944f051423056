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

// sideReactions returns what the metal or the medium adds. Potentials: Chemistry 2e
// (OpenStax, 2019), Appendix L; that of PbO2/Pb²⁺ from log K 49.600 of NIST Standard Reference Database 46, reprinted in minteq.v4.dat. A potential that is not
// a number leaves the reaction out of the floor: slow, or not tabled.
func sideReactions(a anolyteLiquid, metal string) []Reaction {
	acid := hydrogenPotential(a.PH, a.Temperature) // V per one H⁺ per electron
	if !a.Medium.Acidic() {
		acid = math.NaN() // there the metal is no plain ion
	}
	const dark = "dark film on the anode, takes metal from the bath; potential not tabled here"
	if metal == "Ag" && a.Medium == matter.Cyanide {
		metal = "" // it holds silver too fast for an oxide
	}
	var side []Reaction
	for _, row := range []struct {
		holds bool
		Reaction
	}{
		{metal == "Mn", Reaction{Name: "manganese dioxide on the anode", Potential: 1.23 + 2*acid,
			Note: "takes metal from the bath and sheds sludge: use a diaphragm, and weigh the sludge separately"}},
		{metal == "Pb", Reaction{Name: "lead dioxide on the anode", Potential: 1.467 + 2*acid,
			Note: "takes up to as much metal from the bath as the cathode, where nothing inhibits it"}},
		{metal == "Fe" && a.Medium.Acidic(), Reaction{Name: "ferric from ferrous", Potential: 0.771,
			Note: "lowers the cell voltage; ferric iron redissolves metal and costs current: use a diaphragm"}},
		{metal == "Sn" && a.Medium.Acidic(), Reaction{Name: "tin(IV) from tin(II)", Potential: 0.151,
			Note: "tin(IV) precipitates as sludge: use a diaphragm, or a tin anode"}},
		{metal == "Co", Reaction{Name: "cobalt(III) oxide on the anode", Potential: math.NaN(), Note: dark}},
		{metal == "Ag", Reaction{Name: "silver(II) oxide on the anode", Potential: math.NaN(), Note: dark}},
		{metal == "Tl", Reaction{Name: "thallium(III) oxide on the anode", Potential: math.NaN(), Note: dark}},
		{a.Medium == matter.Cyanide, Reaction{Name: "cyanate from cyanide", Potential: math.NaN(),
			Note: "consumes cyanide; acid from the anode must never mix with cyanide: hydrogen cyanide is deadly"}},
		{a.Medium == matter.Sulfamate, Reaction{Name: "oxidation of sulfamate", Potential: math.NaN(),
			Note: "insoluble anodes decompose sulfamate: use a divided cell or a soluble anode"}},
		{a.Medium == matter.Sulfide, Reaction{Name: "sulfur from sulfide", Potential: -0.476,
			Note: "needs less voltage than oxygen; acid from the anode releases hydrogen sulfide, which is deadly"}},
		{a.Medium == matter.Ammine, Reaction{Name: "nitrogen from ammonia", Potential: math.NaN(),
			Note: "consumes ammonia; with chloride it can form chloramines and explosive nitrogen trichloride: no chloride, good ventilation"}},
	} {
		if row.holds {
			side = append(side, row.Reaction)
		}
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
