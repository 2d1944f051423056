package plan

import (
	"math"
	"slices"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// What follows from a plan and is no result of one package beneath it.

// fading is the share of the overall efficiency below which that of the last charge counts as falling.
const fading = 0.995

// Fades tells whether the efficiency falls on the way by more than rounding.
func (p *Plan) Fades() bool { return p.Bath.Goal.Marginal < fading*p.Bath.Goal.Overall }

// SolubleAnode tells whether the anode is of the metal and gives it back.
func (p *Plan) SolubleAnode() bool { return p.Order.Cell.SolubleAnode }

// Divided tells whether a separator stands in the cell.
func (p *Plan) Divided() bool { return p.Order.Bath.Contents.Divided }

// overall is the efficiency of the whole charge.
func overall(p *bath.Plan) matter.Figure {
	const rounding = 1e-12
	f, fallen := p.Efficiency, p.Goal.Overall/p.Efficiency.Value
	if f.Value = p.Goal.Overall; fallen < 1-rounding { // of all of the current nothing is left to hydrogen
		f.Low, f.High = f.Low*fallen, f.High*fallen
	}
	return f
}

// Window is what is usual for the metal in its medium.
func (p *Plan) Window() matter.Window {
	w, _ := p.Bath.Metal.Window(p.Bath.Medium) // unknown ranges if there is none
	return w
}

// Concentration is the metal in the bath to begin with, kg/m3.
func (p *Plan) Concentration() matter.Figure { return matter.Ratio(p.Bath.Amount, p.Bath.Volume) }

// Load is the charge per volume of bath, C/m3; additives are counted by it.
func (p *Plan) Load() matter.Figure { return matter.Ratio(p.Bath.Goal.Charge, p.Bath.Volume) }

// PerMass is the charge that a kilogram takes at an efficiency of one, C/kg.
func (p *Plan) PerMass() matter.Figure {
	e := p.Bath.Metal.Equivalent(p.Bath.Valence)
	return matter.Figure{Value: 1 / e.Value, StandardUncertainty: e.Relative() / e.Value, Mark: e.Mark}
}

// Growth is how fast solid metal grows, m/s. It is not Known without an assessment.
func (p *Plan) Growth() matter.Figure {
	a := p.Assessed
	if a == nil {
		return matter.Figure{}
	}
	density := p.Bath.Metal.Density
	value := a.CathodeDensity.Value * p.Bath.Goal.Overall * p.Bath.Metal.Equivalent(p.Bath.Valence).Value / density.Value
	return matter.Figure{Value: value, StandardUncertainty: value * math.Hypot(a.CathodeDensity.Relative(), p.Bath.Efficiency.Relative()),
		Mark: matter.Weakest(a.CathodeDensity.Mark, density.Mark, p.Bath.Goal.Charge.Mark)}
}

// Thickness is that of the whole deposit if it is solid and even, m. It is not Known without an assessment.
func (p *Plan) Thickness() matter.Figure {
	a := p.Assessed
	if a == nil {
		return matter.Figure{}
	}
	deposit, area, density := p.Bath.Goal.Deposit, a.Conditions.CathodeArea, p.Bath.Metal.Density
	value := deposit.Value / density.Value / area.Value
	return matter.Figure{Value: value, StandardUncertainty: value * math.Hypot(deposit.Relative(), area.Relative()), Mark: matter.Weakest(deposit.Mark, area.Mark, density.Mark)}
}

// HydrogenAtEnd is what comes off in the last moment, m3/s: of the current, what no longer wins metal. It needs an assessment.
func (p *Plan) HydrogenAtEnd() matter.Figure {
	worst, g := p.Assessed.Gas[0].Worst, p.Bath.Goal
	return matter.Figure{Value: worst.Value * (1 - g.Marginal), Mark: matter.Weakest(worst.Mark, g.Charge.Mark), Source: "the current less what still deposits metal"}
}

// MakesChlorine tells whether chlorine can come off.
func (p *Plan) MakesChlorine() bool {
	return p.Assessed != nil && slices.ContainsFunc(p.Assessed.Gas, func(g electrolysis.GasLoad) bool { return g.Gas == electrolysis.Chlorine })
}

// hotBath is the temperature in K from which a bath scalds: 50 °C. Common practice, no source.
const hotBath = 323.15

// Hot tells whether the bath gets hot enough to scald.
func (p *Plan) Hot() bool {
	return p.Assessed != nil && (p.Assessed.Heat.Boils || p.Assessed.Heat.Steady.Value > hotBath)
}

// AboutAsNoble is how near, in V, two potentials are that tables of standard potentials cannot tell apart in a real bath.
const AboutAsNoble = 0.05

// Nobler returns the potential of another metal of the bath and by how many V it is nobler on paper than the one to be
// won, at the start. ok is false without an assessment.
func (p *Plan) Nobler(o bath.Other) (potential, by float64, ok bool) {
	a := p.Assessed
	if a == nil {
		return 0, 0, false
	}
	concentration := matter.Ratio(matter.Ratio(o.Amount, o.Metal.Element.Weight), p.Bath.Volume)
	potential = a.Potential(o.Metal, o.Couple, concentration).Value
	return potential, potential - a.Plating.Metal.Value, true
}

// Anomalous tells whether zinc is won beside a metal of the iron group, where zinc comes first although it
// is the less noble: anomalous codeposition, as the trade has called it since Brenner, Electrodeposition of
// Alloys (1963), from memory.
func (p *Plan) Anomalous(o bath.Other) bool {
	return p.Bath.Metal.String() == "Zn" && slices.Contains([]string{"Fe", "Co", "Ni"}, o.Metal.String())
}

// ComeWithIt lists the other metals that are expected in the deposit.
func (p *Plan) ComeWithIt() []bath.Other {
	var all []bath.Other
	for _, o := range p.Bath.Others {
		if _, by, ok := p.Nobler(o); !ok || by > -AboutAsNoble {
			all = append(all, o)
		}
	}
	return all
}
