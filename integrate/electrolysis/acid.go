package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// AcidBase is what a charge does to the acid on either side of the separator, in
// moles of H⁺ or OH⁻. In an undivided cell only Bath counts.
type AcidBase struct {
	Anolyte        float64 // mol of H⁺ gained by the anolyte
	Catholyte      float64 // mol of OH⁻ gained by the catholyte; negative: H⁺ gained
	Bath           float64 // mol of H⁺ gained by both together; negative: OH⁻ gained
	CatholyteWorst float64 // mol of OH⁻ gained by the catholyte if no metal plates and no acid crosses
}

// AcidConditions is what AcidMade works from.
type AcidConditions struct {
	Charge     float64       // C
	Efficiency float64       // share of the charge that makes metal, 0 to 1
	Couple     matter.Couple // of the metal; H⁺ taken up and hydroxide set free count
	AnodeAcid  float64       // mol of H⁺ per mol of electrons at the anode, Reaction.AcidPerElectron
	Crossing   float64       // share of the current through the separator that H⁺ carries to the catholyte, 0 to 1
}

// AcidMade returns the acid and base of a charge. Each electron that makes hydrogen
// leaves one OH⁻ (or takes one H⁺), one that makes metal leaves what the couple
// sets free, and one at an oxygen anode leaves one H⁺. NaN outside the
// domain.
func AcidMade(c AcidConditions) AcidBase {
	if !notNegative(c.Charge, c.AnodeAcid) || !(c.Efficiency >= 0 && c.Efficiency <= 1) || !(c.Crossing >= 0 && c.Crossing <= 1) || c.Couple.Valence <= 0 {
		nan := math.NaN()
		return AcidBase{nan, nan, nan, nan}
	}
	perMetal := c.Couple.Protons
	if c.Couple.Ligand == "hydroxide" {
		perMetal += c.Couple.Ligands
	}
	perMetal /= float64(c.Couple.Valence)
	electrons := c.Charge / matter.Faraday
	base := electrons * (1 - c.Efficiency + c.Efficiency*perMetal)
	acid := electrons * c.AnodeAcid
	across := electrons * c.Crossing
	return AcidBase{
		Anolyte:        less(acid, across),
		Catholyte:      less(base, across),
		Bath:           less(acid, base),
		CatholyteWorst: electrons * math.Max(1, perMetal),
	}
}

// less subtracts; what only rounding leaves is nothing.
func less(x, y float64) float64 {
	const rounding = 1e-12
	if d := x - y; math.Abs(d) > rounding*math.Max(x, y) {
		return d
	}
	return 0
}

// AcidOf returns the formula of the acid that an oxygen anode leaves in the medium and
// the H⁺ that one of it carries. In a medium that is not acid it is the sodium
// hydroxide that the anode uses up.
func AcidOf(medium matter.Medium) (formula string, protons float64) {
	switch medium {
	case matter.Chloride:
		return "HCl", 1
	case matter.Nitrate:
		return "HNO3", 1
	case matter.Sulfamate:
		return "NH2SO3H", 1
	case matter.Methanesulfonate:
		return "CH3SO3H", 1
	case matter.Fluoborate:
		return "HBF4", 1
	case matter.Cyanide, matter.Alkaline, matter.Ammine, matter.Sulfide:
		return "NaOH", 1
	}
	return "H2SO4", 2
}

// AcidMass returns the kilograms of AcidOf the medium that carry, or in an alkaline
// one are used up by, that many moles of H⁺.
func AcidMass(moles float64, medium matter.Medium) float64 {
	formula, protons := AcidOf(medium)
	parsed, err := matter.ParseFormula(formula)
	if err != nil {
		return math.NaN() // cannot happen: the formulae stand above and a test reads them all
	}
	molar, _ := parsed.MolarMass()
	return moles / protons * molar
}

// CausticMass returns the kilograms of sodium hydroxide that carry, or neutralise,
// that many moles.
func CausticMass(moles float64) float64 { return moles * matter.MolarMassNaOH }
