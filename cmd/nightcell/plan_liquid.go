package main

import (
	"nightcell/configs/quantity"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

func (p *planned) liquidTable() planTable {
	a := p.assessed
	t := planTable{title: "Acid, base and water of the run"}
	t.addAcid("net in the bath", electrolysis.Band{Low: a.Acid.Bath.Value, Best: a.Acid.Bath.Value, High: a.Acid.Bath.Value, Mark: a.Acid.Bath.Mark, Source: a.Acid.Bath.Source}, 2*a.Acid.Bath.StandardUncertainty, p.plan.Medium)
	if p.cell.Electrodes.Divided() {
		t.addAcid("in the anolyte", a.Acid.Anolyte, 0, a.Conditions.AnolyteMedium)
		t.addAcid("in the catholyte", turned(a.Acid.Catholyte), 0, p.plan.Medium)
		t.figure("base at worst", a.Acid.CatholyteWorst, 1, "mol", "in the catholyte: "+a.Acid.CatholyteWorst.Source)
	}
	if a.Water.Split.Value > 0 {
		t.figure("water split", a.Water.Split, inGrams, "g", "")
	}
	t.add("water evaporated", bandText(a.Water.Evaporated, inGrams)+" g", a.Water.Evaporated.Mark, a.Water.Evaporated.Source)
	t.add("level falls", bandText(a.Water.LevelFall, 1e3)+" mm", a.Water.LevelFall.Mark, "over "+quantity.Digits(a.Conditions.OpenArea.Value*inSquareCentimetres, 0)+" cm² of open surface: "+a.Conditions.OpenArea.Source)
	t.add("water to have at hand", quantity.Digits(a.Water.TopUp.Value*inGrams, a.Water.TopUp.Value*inGrams*0.2)+" g", a.Water.TopUp.Mark, "top up to the mark before each sample")
	return t
}

// turned counts a band of base as one of acid.
func turned(b electrolysis.Band) electrolysis.Band {
	b.Low, b.Best, b.High = -b.High, -b.Best, -b.Low
	return b
}

// acidWords names what a gain of H+ in mol is, and what a gain of the other sign is; and
// the substance that is weighed for it, with its kg per mol.
func acidWords(moles float64, medium matter.Medium) (word, other, formula string, kilogramsPerMole float64) {
	formula, _ = electrolysis.AcidOf(medium)
	alkaline := formula == "NaOH"
	switch {
	case alkaline && moles < 0:
		return "alkali made", "alkali used up", formula, electrolysis.CausticMass(1)
	case alkaline:
		return "alkali used up", "alkali made", formula, electrolysis.AcidMass(1, medium)
	case moles < 0:
		return "base", "acid", "NaOH", electrolysis.CausticMass(1)
	}
	return "acid", "base", formula, electrolysis.AcidMass(1, medium)
}

// addAcid adds a row for H+ gained in mol, in the words of acidWords. doubt, if there is
// one, is twice the standard uncertainty, else the band is shown.
func (t *planTable) addAcid(where string, b electrolysis.Band, doubt float64, medium matter.Medium) {
	if b.Best == 0 && b.Low == 0 && b.High == 0 {
		return
	}
	word, other, formula, kilograms := acidWords(b.Best, medium)
	grams := kilograms * inGrams
	if b.Best < 0 {
		b = turned(b)
	}
	value, mass := bandText(b, 1), bandText(b, grams)
	if b.Low == b.High {
		f := matter.Figure{Value: b.Best, StandardUncertainty: doubt / 2}
		value, mass = withDoubt(f), quantity.Digits(b.Best*grams, doubt*grams/2)
	}
	note := mass + " g as " + formula
	if b.Low < 0 {
		note += "; below zero is " + other
	}
	if b.Source != "" {
		note += "; " + b.Source
	}
	t.add(word+" "+where, value+" mol", b.Mark, note)
}
