package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// ShortFraction is the share of the floor below which steady current means metal
// touching metal or an anode that dissolves: between 80 and 90 %, to leave room for
// the supply's error and the pH of the anolyte. Common practice, no source.
const ShortFraction = 0.85

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

// BelowFloor tells whether a steady current at volts means a short or a dissolving
// anode rather than winning.
func (f Floor) BelowFloor(volts float64) bool { return volts < ShortFraction*f.Metal }
