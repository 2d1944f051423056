package electrolysis

import "math"

// Molar masses in kg/mol by the CIAAW 2021 weights.
const (
	sulfuricAcidMolarMass     = 98.072e-3 // 2·1.0080 + 32.06 + 4·15.999
	hydrochloricAcidMolarMass = 36.458e-3 // 1.0080 + 35.45
	sodiumHydroxideMolarMass  = 39.997e-3 // 22.98976928 + 15.999 + 1.0080
)

// AcidBase is what a charge does to the acid on either side of the separator, in
// moles of H⁺ or OH⁻. In an undivided cell only Bath counts.
type AcidBase struct {
	Anolyte     float64 // mol of H⁺ gained by the anolyte
	Catholyte   float64 // mol of OH⁻ gained by the catholyte; negative: H⁺ gained
	Bath        float64 // mol of H⁺ gained by both together; negative: OH⁻ gained
	CatholyteAt float64 // mol of OH⁻ gained by the catholyte if no metal plates and no acid crosses
}

// AcidMade returns the acid and base made by charge coulombs at current efficiency
// (0 to 1) when the anode makes acidPerElectron mol of H⁺ per mol of electrons (1
// for oxygen, 0 for chlorine) and the share crossing (0 to 1) of the current
// through the separator is carried by H⁺ going to the catholyte: near 0 for an
// anion membrane, near 1 for a cation membrane over an acid anolyte, in between and rising with
// the acid for a cloth or ceramic diaphragm.
func AcidMade(charge, efficiency, acidPerElectron, crossing float64) AcidBase {
	if !notNegative(charge, acidPerElectron) || !(efficiency >= 0 && efficiency <= 1) || !(crossing >= 0 && crossing <= 1) {
		nan := math.NaN()
		return AcidBase{nan, nan, nan, nan}
	}
	electrons := charge / faraday
	base := electrons * (1 - efficiency)
	acid := electrons * acidPerElectron
	across := electrons * crossing
	return AcidBase{
		Anolyte:     acid - across,
		Catholyte:   base - across,
		Bath:        acid - base,
		CatholyteAt: electrons,
	}
}

// AcidMass returns the kilograms of sulfuric acid, or of hydrochloric acid in a
// chloride medium, that carry that many moles of H⁺.
func AcidMass(moles float64, medium Medium) float64 {
	if medium == Chloride {
		return moles * hydrochloricAcidMolarMass
	}
	return moles / 2 * sulfuricAcidMolarMass
}

// CausticMass returns the kilograms of sodium hydroxide that carry, or neutralise,
// that many moles.
func CausticMass(moles float64) float64 { return moles * sodiumHydroxideMolarMass }
