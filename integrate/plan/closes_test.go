package plan_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// TestChargeAndMetalClose: over random baths and runs the charge of the anode is oxide, oxygen, chlorine and dissolved metal, that of the cathode
// deposit and hydrogen, the acid of the bath what these reactions set free less what they take up, and all metal is deposit, at the
// anode, beyond the separator, or left; each to 1e-12. Electrons and H+ of an oxide are counted from its formula here, gases from their volumes.
func TestChargeAndMetalClose(t *testing.T) {
	oxides, dissolved, chlorine, both, crossed := 0, 0, 0, 0, 0
	rapid.Check(t, func(t *rapid.T) {
		figure := func(name string, low, high float64) matter.Figure {
			return given(math.Exp(rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, name)))
		}
		metal := rapid.SampledFrom(matter.Metals()).Draw(t, "metal")
		medium := rapid.SampledFrom([]matter.Medium{matter.Sulfate, matter.Chloride, matter.Nitrate, matter.Methanesulfonate, matter.Alkaline}).Draw(t, "medium")
		o := plan.Order{Bath: bath.Order{
			Contents:   bath.Contents{Metal: metal.String(), Medium: medium, Volume: figure("volume", 1e-4, 1e-2), Concentration: figure("kg/m3", 1, 60)},
			Efficiency: bath.Efficiency{Fraction: figure("efficiency", 0.2, 1)},
			Conditions: bath.Conditions{Current: figure("current", 0.1, 20), CathodeArea: figure("area", 1e-3, 1e-1)},
		}}
		o.Bath.Target = bath.Target{Form: bath.Charge, Value: given(o.Bath.Contents.Volume.Value * math.Exp(rapid.Float64Range(math.Log(1e5), math.Log(4e8)).Draw(t, "charge")))}
		if rapid.Bool().Draw(t, "divided") {
			o.Cell.Separator, o.Bath.Contents.Divided = electrolysis.Diaphragm, true
			o.Bath.Contents.Crossing = o.Cell.Separator.MetalCrossing(medium.Anionic())
		}
		if rapid.Bool().Draw(t, "stirred") {
			o.Bath.Efficiency.Stirring = bath.Bubble
		}
		if rapid.IntRange(0, 3).Draw(t, "soluble") == 0 {
			o.Bath.Anode.Soluble, o.Cell.SolubleAnode = true, true
		}
		if rapid.Bool().Draw(t, "chloride") {
			o.Cell.Chloride = figure("mol/m3", 1, 4000)
		}
		p, err := plan.New(o)
		if err != nil {
			t.Skip(err) // not a couple of the table
		}
		closes := func(what string, whole float64, parts ...float64) {
			sum, size := -whole, math.Abs(whole)
			for _, x := range parts {
				sum, size = sum+x, math.Max(size, math.Abs(x))
			}
			if math.Abs(sum) > 1e-12*size {
				t.Fatalf("%s: %g of %g are nowhere: %v", what, sum, whole, parts)
			}
		}
		g, a, molar := p.Bath.Goal, p.Assessed, p.Bath.Metal.Element.Weight.Value
		valence, atAnode := float64(p.Bath.Valence), g.Anode.Value/molar
		moles := map[electrolysis.Gas]float64{}
		for _, gas := range a.Gas {
			moles[gas.Gas] += gas.Total.Value / matter.MolarVolume(a.Conditions.Ambient.Value, matter.Atmosphere)
			if gas.Total.Value > gas.Most.Value*(1+1e-12) {
				t.Fatalf("%s: %g m3 of at most %g m3", gas.Gas, gas.Total.Value, gas.Most.Value)
			}
		}
		metalCharge, acid := -atAnode*valence, 0.0
		if !p.SolubleAnode() {
			metalCharge = 0
			if atAnode > 0 {
				f, _ := matter.ParseFormula(p.Bath.Anode.Oxide.Formula)
				bound := (2*f.Count("O") - f.Count("H")) / f.Count(metal.String())
				metalCharge, acid = atAnode*(bound-valence), atAnode*bound
				oxides++
			}
		} else {
			dissolved++
		}
		if moles[electrolysis.Chlorine] > 0 {
			chlorine++
			if moles[electrolysis.Oxygen] > 1e-9*moles[electrolysis.Chlorine] {
				both++
			}
		}
		if g.Crossed.Value > 0 {
			crossed++
		}
		faradays := g.Charge.Value / matter.Faraday
		closes("faradays at the anode", faradays, metalCharge, 4*moles[electrolysis.Oxygen], 2*moles[electrolysis.Chlorine])
		closes("faradays at the cathode", faradays, g.Deposit.Value/molar*valence, 2*moles[electrolysis.Hydrogen])
		taken := p.Bath.Couple.Protons
		if p.Bath.Couple.Ligand == "hydroxide" {
			taken += p.Bath.Couple.Ligands
		}
		closes("mol of acid", a.Acid.Bath.Value, acid, 4*moles[electrolysis.Oxygen], -2*moles[electrolysis.Hydrogen], -taken*g.Deposit.Value/molar)
		water := 2 * moles[electrolysis.Oxygen]
		if f, err := matter.ParseFormula(p.Bath.Anode.Oxide.Formula); err == nil && atAnode > 0 {
			water += atAnode * f.Count("O") / f.Count(metal.String())
		}
		closes("mol of water", a.Water.Split.Value/matter.MolarMassH2O, water)
		closes("kg of metal", p.Bath.Amount.Value, g.Deposit.Value, g.Anode.Value, g.Crossed.Value, g.Left.Value*p.Bath.Volume.Value)
	})
	if oxides == 0 || dissolved == 0 || chlorine == 0 || both == 0 || crossed == 0 {
		t.Errorf("%d oxides, %d dissolving anodes, %d with chlorine, %d with oxygen beside it, %d with metal across", oxides, dissolved, chlorine, both, crossed)
	}
}
