package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// AssumedConductivity returns the conductivity in S/m to be expected of a winning
// bath of the medium with freeAcid mol/m³ of titratable H⁺ at temperature kelvin, when
// nobody measured it. The acid's part grows with temperature as H⁺ moves, the rest as other ions do. From memory of tables of acids and salts; a pinch of salt in both directions.
func AssumedConductivity(medium matter.Medium, freeAcid, temperature float64) Band {
	type line struct{ neutral, perAcid, most float64 } // S/m, S·m²/mol, S/m
	l := line{6, 20e-3, 45}
	switch medium {
	case matter.Sulfate, matter.Chromic:
		l = line{4, 14e-3, 45}
	case matter.Chloride:
		l = line{8, 25e-3, 65}
	case matter.Nitrate:
		l = line{8, 28e-3, 60}
	case matter.Alkaline:
		l = line{30, 0, 30}
	case matter.Cyanide, matter.Ammine, matter.Sulfide:
		l = line{15, 0, 15}
	}
	acid := math.Min(l.most-l.neutral, l.perAcid*math.Max(0, freeAcid))
	best := l.neutral*solution.Conduction(0, temperature) + acid*solution.Conduction(solution.ProtonWarmth, temperature)
	return assumed(0.6*best, best, 1.5*best, "usual for this medium and acid, from memory")
}

// Separator is what stands between anolyte and catholyte.
type Separator string

// The separators. NoSeparator is an undivided cell.
const (
	NoSeparator    Separator = "none"
	Diaphragm      Separator = "diaphragm"
	CationMembrane Separator = "cation membrane"
	AnionMembrane  Separator = "anion membrane"
)

// resistance returns the area resistance in Ω·m². Common practice, from memory.
func (s Separator) resistance() Band {
	switch s {
	case Diaphragm:
		return assumed(1e-4, 4e-4, 15e-4, "cloth to fine ceramic, from memory")
	case CationMembrane, AnionMembrane:
		return assumed(2e-4, 5e-4, 15e-4, "ion-exchange membrane, from memory")
	}
	return Band{}
}

// AcidCrossing returns the share of the current through the separator that H⁺ carries
// into the catholyte, for AcidMade. Common practice, from memory: it rises with
// the acid of the anolyte. A zero band with NoSeparator, where the question does not arise.
func (s Separator) AcidCrossing() Band {
	switch s {
	case Diaphragm:
		return assumed(0.1, 0.4, 0.8, "cloth or ceramic, rising as the anolyte turns acid; from memory")
	case CationMembrane:
		return assumed(0.6, 0.9, 1, "nearly all cations that cross are H⁺ once the anolyte is acid; from memory")
	case AnionMembrane:
		return assumed(0.02, 0.1, 0.4, "H⁺ leaks through anion membranes from strong acid; from memory")
	}
	return Band{}
}
