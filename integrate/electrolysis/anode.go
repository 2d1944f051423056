package electrolysis

import (
	"fmt"
	"math"
)

// Medium is the family of the bath's anion, as configurations name it.
type Medium string

// The media that this package knows.
const (
	Sulfate          Medium = "sulfate"
	Chloride         Medium = "chloride"
	SulfateChloride  Medium = "sulfate-chloride" // mixed, like a nickel bath with some chloride
	Sulfamate        Medium = "sulfamate"
	Fluoborate       Medium = "fluoborate"
	Methanesulfonate Medium = "methanesulfonate"
	Nitrate          Medium = "nitrate"
	Alkaline         Medium = "alkaline"
	Cyanide          Medium = "cyanide"
)

// Media lists every Medium in the order in which a message should name them.
func Media() []Medium {
	return []Medium{Sulfate, Chloride, SulfateChloride, Sulfamate, Fluoborate, Methanesulfonate, Nitrate, Alkaline, Cyanide}
}

// ParseMedium returns the Medium of that name.
func ParseMedium(name string) (Medium, error) {
	for _, m := range Media() {
		if string(m) == name {
			return m, nil
		}
	}
	return "", fmt.Errorf("medium %q is unknown; known are %v", name, Media())
}

// Anolyte is what stands before the anode. In an undivided cell it is the bath.
type Anolyte struct {
	Medium      Medium
	PH          float64
	Chloride    float64 // mol/m³; 0: none known
	Temperature float64 // K
}

// Reaction is one reaction that an insoluble anode may run.
type Reaction struct {
	Name             string  // such as "oxygen from water"
	Gas              Gas     // NoGas if it makes none
	Potential        float64 // V against the standard hydrogen electrode, at equilibrium
	AcidPerElectron  float64 // mol of H⁺ made per mol of electrons
	WaterPerElectron float64 // mol of water split per mol of electrons
	Expected         bool    // this one is expected to carry most of the current
	Note             string  // what a person should know of it
}

// traceChloride is the chloride in mol/m³ (0.5 g/L) above which chlorine is worth naming
// in a bath that is not called a chloride one. Common practice, no source.
const traceChloride = 14.0

// AnodeReactions returns what an insoluble anode may run in the anolyte with the
// metal of that symbol dissolved in it, the expected main reaction first. By
// thermodynamics oxygen comes before chlorine everywhere; in a chloride bath
// kinetics turns this round on most anodes, so both are listed and neither is
// promised. The potentials are at one atmosphere of gas.
func AnodeReactions(a Anolyte, metal string) []Reaction {
	oxygen := oxygenReaction(a)
	chlorine := chlorineReaction(a)
	var main []Reaction
	switch {
	case a.Medium == Chloride:
		chlorine.Expected = true
		oxygen.Note = "runs beside chlorine, more so when chloride is dilute or the pH is high"
		main = []Reaction{chlorine, oxygen}
	case a.Medium == SulfateChloride || a.Chloride > traceChloride:
		oxygen.Expected = true
		main = []Reaction{oxygen, chlorine}
	default:
		oxygen.Expected = true
		main = []Reaction{oxygen}
	}
	return append(main, sideReactions(a, metal)...)
}

func oxygenReaction(a Anolyte) Reaction {
	r := Reaction{
		Name: "oxygen from water", Gas: Oxygen, Potential: OxygenPotential(a.PH, a.Temperature),
		AcidPerElectron: 1, WaterPerElectron: 0.5,
	}
	if a.Medium == Alkaline || a.Medium == Cyanide {
		r.Name = "oxygen from hydroxide"
		r.Note = "uses up alkali: watch the pH"
	}
	return r
}

func chlorineReaction(a Anolyte) Reaction {
	chloride := a.Chloride
	if !(chloride > 0) {
		chloride = standardConcentration
	}
	return Reaction{
		Name: "chlorine from chloride", Gas: Chlorine, Potential: ChlorinePotential(chloride, a.Temperature),
		Note: "poisonous: fume hood, anode compartment scrubbed with alkali; " +
			"above about pH 3 part of it stays dissolved as hypochlorite and comes off later",
	}
}

// sideReactions returns what the metal or the medium adds. Potentials: OpenStax
// Chemistry 2e, Appendix L; that of PbO2/Pb²⁺ from memory.
func sideReactions(a Anolyte, metal string) []Reaction {
	acid := HydrogenPotential(a.PH, a.Temperature) // V per one H⁺ per electron
	var side []Reaction
	switch metal {
	case "Mn":
		side = append(side, Reaction{Name: "manganese dioxide on the anode", Potential: 1.23 + 2*acid,
			AcidPerElectron: 2, WaterPerElectron: 1,
			Note: "takes metal from the bath and sheds sludge: a diaphragm, and sludge weighed apart"})
	case "Pb":
		side = append(side, Reaction{Name: "lead dioxide on the anode", Potential: 1.455 + 2*acid,
			AcidPerElectron: 2, WaterPerElectron: 1,
			Note: "takes as much metal from the bath as the cathode in a bath without an inhibitor"})
	case "Fe":
		side = append(side, Reaction{Name: "ferric from ferrous", Potential: 0.771,
			Note: "the anode needs less voltage and the ferric takes metal and current back: a diaphragm"})
	case "Sn":
		side = append(side, Reaction{Name: "tin(IV) from tin(II)", Potential: 0.151,
			Note: "tin(IV) falls out as sludge: a diaphragm, or a tin anode"})
	case "Co":
		side = append(side, Reaction{Name: "cobalt(III) oxide on the anode", Potential: math.NaN(),
			Note: "black film on the anode, takes metal from the bath; potential not tabled here"})
	}
	switch a.Medium {
	case Cyanide:
		side = append(side, Reaction{Name: "cyanate from cyanide", Potential: math.NaN(),
			Note: "uses up cyanide; acid set free at the anode must never meet cyanide: hydrogen cyanide is deadly"})
	case Sulfamate:
		side = append(side, Reaction{Name: "oxidation of sulfamate", Potential: math.NaN(),
			Note: "insoluble anodes break sulfamate down: a divided cell or a soluble anode"})
	}
	return side
}
