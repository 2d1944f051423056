package bath

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

const faraday = matter.Faraday

// mostSolids is what is taken for the most of any salt that a bath dissolves, kg/m3; common practice, no source. overfull is how far
// a bath may be beyond the table before it is refused: crystals of commerce and thermometers are not better.
const (
	mostSolids = 2000
	overfull   = 1.05
)

// solubility returns the kg of the plan's metal per m3 above which no bath of its medium is
// known to go, and what that figure is.
func (p *Plan) solubility() (most float64, of string) { return solubilityOf(p.Metal, p.Medium) }

func solubilityOf(metal matter.Metal, medium matter.Medium) (most float64, of string) {
	if most, row, ok := solution.MostOf(metal.String(), medium); ok {
		return most, "saturated " + row.Formula + "; " + row.Source
	}
	return mostSolids / 2, "any salt; common practice, no source"
}

// dissolves holds what is stated against what water dissolves: what no temperature dissolves is a mistake, what the stated one (else
// 25 °C) does not is told. Where a ligand or alkali may hold the metal the table says nothing.
func (c Contents) dissolves(m *mistakes, s *contents, temperature matter.Figure) {
	if !s.medium.Acidic() || !(s.volume.Value > 0) {
		return
	}
	for _, ligand := range []solution.Component{"NH3", "CN-", "EDTA-4", "citrate-3", "tartrate-2", "acetate-"} {
		if s.dissolved[ligand] > 0 && ligand != "NH3" || s.dissolved["NH3"] > 2*s.dissolved["SO4-2"]+s.dissolved["Cl-"] { // more than its salts hold
			return
		}
	}
	kelvin := matter.RoomTemperature
	if temperature.Known() {
		kelvin = temperature.Value
	}
	held := map[string]float64{} // kg/m3 of anhydrous salt
	for i, salt := range c.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		row, tabled := solution.SolubilityOf(f)
		units := salt.mol(f, s.volume)
		if err != nil || !tabled || !units.Known() {
			continue
		}
		molar, _ := f.MolarMass()
		held[row.Formula] += units.Value * molar * row.Anhydrous(f) / s.volume.Value
		there, now, best := held[row.Formula], row.Of(kelvin), row.Of(math.NaN())
		switch {
		case there > overfull*best:
			field := fmt.Sprintf("salts[%d].mass", i)
			if !salt.Mass.Known() {
				field = fmt.Sprintf("salts[%d].concentration", i)
			}
			m.add(field, fmt.Sprintf("weigh less, or take at least %s of bath", litres(s.volume.Value*there/best)),
				"%s g/L of %s are stated, and a bath holds no more than about %s g/L of it at any temperature (%s)", figure(there), row.Formula, figure(best), row.Source)
		case there > overfull*now:
			s.notes = append(s.notes, fmt.Sprintf("%s g/L of %s are stated, and at %.0f °C no more than about %s g/L of it dissolve (%s): the rest lies at the bottom until the bath is thinner or has another temperature",
				figure(there), row.Formula, kelvin-matter.ZeroCelsius, figure(now), row.Source))
		}
	}
	metal := s.amount.value * s.metal.Element.Weight.Value / s.volume.Value
	if most, of := solubilityOf(s.metal, s.medium); metal > overfull*most && len(m.list) == 0 {
		field := "concentration"
		if c.MetalMass.Known() {
			field = "metal-mass"
		} else if len(c.Salts) > 0 && !c.Concentration.Known() {
			field = "salts"
		}
		m.add(field, "look at the unit", "that is %s g/L of %s, and no more than about %s g/L dissolve (%s)", figure(metal), s.metal.Element.Name, figure(most), of)
	}
}
