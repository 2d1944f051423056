package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// The shift of standard potentials with temperature, V/K, from memory of the
// published tables (Bratsch, J. Phys. Chem. Ref. Data 18 (1989) 1). Those of the
// metals are mostly under 1 mV/K, differ between tables and are left out.
const (
	oxygenStandard   = 1.229 // V, O2 + 4H+ + 4e = 2H2O; OpenStax Chemistry 2e, Appendix L
	oxygenSlope      = -0.846e-3
	chlorineStandard = 1.35827 // V, Cl2 + 2e = 2Cl-; OpenStax Chemistry 2e, Appendix L
	chlorineSlope    = -1.25e-3
)

// nernst returns E = standard − (R·T / electrons·F)·ln(quotient) in volts.
// standard is in volts, electrons is the number of electrons in the equation
// as written, quotient is its reaction quotient (products over reactants,
// dimensionless), temperature is in kelvin. NaN if electrons, quotient or
// temperature is not a positive number.
func nernst(standard, electrons, quotient, temperature float64) float64 {
	if !positive(electrons, quotient, temperature) {
		return math.NaN()
	}
	return standard - matter.GasConstant*temperature/(electrons*matter.Faraday)*math.Log(quotient)
}

// metalPotential returns the equilibrium potential of Mⁿ⁺/M in volts against the
// standard hydrogen electrode. standard is in volts, valence is n, concentration
// is that of the free ion in mol/m³, temperature in kelvin.
//
// Concentration stands for activity. In strong 2:2 sulfates the mean activity
// coefficient falls to about 0.04 (1 mol/kg, from memory), which makes the real potential
// some 40 mV lower; complexing ions can lower it by hundreds of millivolts.
func metalPotential(standard float64, valence int, concentration, temperature float64) float64 {
	return nernst(standard, float64(valence), standardConcentration/concentration, temperature)
}

// couplePotential returns the equilibrium potential in volts against the standard
// hydrogen electrode of a couple of the metal table over concentration mol/m³ of the dissolved metal,
// at pH and with ligand mol/m³ of the free ligand (0: 1 mol/L is taken; a hydroxide
// ligand is taken from the pH), at temperature kelvin:
// E° + (R·T/n·F)·ln([metal]·[H⁺]^protons/[ligand]^ligands).
func couplePotential(couple matter.Couple, concentration, pH, ligand, temperature float64) float64 {
	free := ligand / standardConcentration
	switch {
	case couple.Ligand == "hydroxide":
		free = math.Pow(10, pH-solution.WaterExponent(temperature))
	case !(ligand > 0):
		free = 1
	}
	quotient := standardConcentration / concentration *
		math.Pow(10, couple.Protons*pH) * math.Pow(free, couple.Ligands)
	return nernst(couple.Potential.Value, float64(couple.Valence), quotient, temperature)
}

// hydrogenPotential returns the equilibrium potential of hydrogen at one
// atmosphere in volts against the standard hydrogen electrode: −(R·T·ln 10/F)·pH.
func hydrogenPotential(pH, temperature float64) float64 {
	if !positive(temperature) {
		return math.NaN()
	}
	return -matter.GasConstant * temperature * math.Ln10 / matter.Faraday * pH
}

// oxygenPotential returns the equilibrium potential of oxygen at one atmosphere
// in volts against the standard hydrogen electrode at pH and temperature kelvin.
func oxygenPotential(pH, temperature float64) float64 {
	return oxygenStandard + oxygenSlope*(temperature-matter.RoomTemperature) + hydrogenPotential(pH, temperature)
}

// chlorinePotential returns the equilibrium potential of chlorine at one
// atmosphere in volts against the standard hydrogen electrode over chloride mol/m³
// at temperature kelvin.
func chlorinePotential(chloride, temperature float64) float64 {
	standard := chlorineStandard + chlorineSlope*(temperature-matter.RoomTemperature)
	return nernst(standard, 1, chloride/standardConcentration, temperature)
}

// floorConditions is what the floor depends on.
type floorConditions struct {
	Anolyte        anolyteLiquid
	Metal          string  // symbol
	MetalPotential float64 // V against the standard hydrogen electrode, as metalPotential returns it
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

// floorVoltage returns the thermodynamic floor. A soluble anode, and a shuttle such as
// ferric and ferrous between both electrodes, have none: all voltages are then zero.
func floorVoltage(c floorConditions) Floor {
	if c.SolubleAnode {
		return Floor{Reaction: "the anode dissolves"}
	}
	lowest := math.Inf(1)
	floor := Floor{Expected: math.NaN()}
	for _, r := range anodeReactions(c.Anolyte, c.Metal) {
		if r.Expected {
			floor.Expected = r.Potential - c.MetalPotential
		}
		if r.Potential < lowest {
			lowest, floor.Reaction = r.Potential, r.Name
		}
	}
	floor.Metal = math.Max(0, lowest-c.MetalPotential)
	hydrogen := hydrogenPotential(c.CatholytePH, c.Anolyte.Temperature)
	floor.Any = math.Max(0, lowest-math.Max(c.MetalPotential, hydrogen))
	return floor
}
