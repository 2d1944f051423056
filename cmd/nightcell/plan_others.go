package main

import (
	"fmt"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
)

// aboutAsNoble is how near, in V, two potentials are that tables of standard potentials cannot tell apart
// in a real bath.
const aboutAsNoble = 0.05

// nobler returns by how many V another metal of the bath is nobler on paper than the one to be won, at the
// start, both at the temperature, pH and ligand of the plan. ok is false without an assessment.
func (p *planned) nobler(o bath.Other) (potential, by float64, ok bool) {
	a := p.assessed
	if a == nil {
		return 0, 0, false
	}
	c := a.Conditions
	concentration := o.Amount.Value / o.Metal.Element.Weight.Value / p.plan.Volume.Value
	ligand := c.Ligand.Value
	if !c.Ligand.Known() && o.Couple.Ligand == "chloride" {
		ligand = c.Chloride.Value
	}
	potential = electrolysis.CouplePotential(o.Couple, concentration, c.PH.Value, ligand, c.Temperature.Value)
	return potential, potential - a.Plating.Metal.Value, true
}

// anomalous tells whether zinc is won beside a metal of the iron group, where zinc comes first although it
// is the less noble: anomalous codeposition, as the trade has called it since Brenner, Electrodeposition of
// Alloys (1963), from memory.
func (p *planned) anomalous(o bath.Other) bool {
	symbol := o.Metal.String()
	return p.plan.Metal.String() == "Zn" && (symbol == "Fe" || symbol == "Co" || symbol == "Ni")
}

// othersTable shows what else in the bath may plate.
func (p *planned) othersTable() planTable {
	t := planTable{title: "Other metals in the bath, of which the charge counts nothing"}
	for _, o := range p.plan.Others {
		note := fmt.Sprintf("all of it would take %s A·h more at 100 %%", quantity.Digits(o.Charge.Value*inAmpereHours, o.Charge.StandardUncertainty*inAmpereHours))
		if _, by, ok := p.nobler(o); ok {
			note = p.noblerText(o, by) + "; " + note
		}
		t.figure(o.Metal.Element.Name, o.Amount, inGrams, "g", note)
	}
	return t
}

func (p *planned) noblerText(o bath.Other, by float64) string {
	volts := quantity.Digits(by, 0.04) // the doubt of concentration taken for activity
	switch {
	case by > aboutAsNoble && p.anomalous(o):
		return "nobler on paper by " + volts + " V, yet beside metals of the iron group zinc mostly comes first (anomalous codeposition, from memory): some comes with it"
	case by > aboutAsNoble:
		return "nobler on paper by " + volts + " V: comes first, as far as stirring brings it"
	case by > -aboutAsNoble:
		return "about as noble on paper: comes with it"
	}
	return "less noble on paper by " + quantity.Digits(-by, 0.04) + " V: mostly stays behind while the bath is rich"
}

// comesWithIt names the other metals that are expected in the deposit.
func (p *planned) comesWithIt() []string {
	var names []string
	for _, o := range p.plan.Others {
		if _, by, ok := p.nobler(o); !ok || by > -aboutAsNoble {
			names = append(names, o.Metal.Element.Name)
		}
	}
	return names
}

func (p *planned) othersJSON() []map[string]any {
	list := []map[string]any{}
	for _, o := range p.plan.Others {
		one := map[string]any{"metal": o.Metal.String(), "mass_grams": quantity.Maybe(o.Amount.Value * inGrams), "charge_at_full_efficiency_coulombs": quantity.Maybe(o.Charge.Value), "mark": o.Amount.Mark.String()}
		if potential, by, ok := p.nobler(o); ok {
			one["potential_volts"], one["nobler_by_volts"] = quantity.Maybe(potential), quantity.Maybe(by)
		}
		list = append(list, one)
	}
	return list
}
