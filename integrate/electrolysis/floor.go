package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// FloorConditions is what the floor depends on.
type FloorConditions struct {
	Anolyte        Anolyte
	Metal          string  // symbol
	MetalPotential float64 // V against the standard hydrogen electrode, as MetalPotential returns it
	CatholytePH    float64
	SolubleAnode   bool // the anode dissolves: then there is no floor
}

// Floor holds voltages in V that no honest winning current can pass below, because
// the energy of the reactions would be missing. Overpotentials and resistance come on top.
type Floor struct {
	Metal    float64 // to win the metal, with the easiest anode reaction of the anolyte
	Expected float64 // to win the metal, with the anode reaction that is expected to lead
	Any      float64 // to pass any lasting current: the metal or hydrogen, whichever is easier
	Reaction string  // the easiest anode reaction
	Mark     matter.Mark
}

// FloorVoltage returns the thermodynamic floor. A soluble anode, and a shuttle such as
// ferric and ferrous between both electrodes, have none: all voltages are then zero.
func FloorVoltage(c FloorConditions) Floor {
	if c.SolubleAnode {
		return Floor{Reaction: "the anode dissolves"}
	}
	lowest := math.Inf(1)
	floor := Floor{Expected: math.NaN()}
	for _, r := range AnodeReactions(c.Anolyte, c.Metal) {
		if r.Expected {
			floor.Expected = r.Potential - c.MetalPotential
		}
		if r.Potential < lowest {
			lowest, floor.Reaction = r.Potential, r.Name
		}
	}
	floor.Metal = math.Max(0, lowest-c.MetalPotential)
	hydrogen := HydrogenPotential(c.CatholytePH, c.Anolyte.Temperature)
	floor.Any = math.Max(0, lowest-math.Max(c.MetalPotential, hydrogen))
	return floor
}
