package solution

import (
	"math"
	"slices"
)

// Equilibrium is a solved solution.
type Equilibrium struct {
	PH            float64 // −log10 of the activity of H+
	Acid          float64 // total of H, mol/m³
	IonicStrength float64 // mol/m³
	Kelvin        float64

	species    []member
	amounts    []float64 // mol/m³, as species
	components []Component
	activity   []float64 // log10, mol/L scale, as components
	free       []float64 // ln of mol/L, likewise
	gamma      float64   // log10 of the activity coefficient of a single charge
}

func (s *system) result(x []float64, gamma, strength, kelvin float64) Equilibrium {
	e := Equilibrium{Kelvin: kelvin, IonicStrength: strength * perCubicMetre, species: s.species, components: s.components,
		free: x, gamma: gamma, amounts: make([]float64, len(s.species)), activity: make([]float64, len(s.components))}
	for i := range s.species {
		m := &s.species[i]
		e.amounts[i] = m.concentration(x) * perCubicMetre
		for _, p := range m.parts {
			if p.of == 0 {
				e.Acid += p.number * e.amounts[i]
			}
		}
	}
	for j := range s.components {
		e.activity[j] = x[j]/math.Ln10 + gamma*s.charges[j]*s.charges[j]
	}
	e.PH = -e.activity[0] + 0 // no minus zero
	return e
}

// Amount returns the concentration of one species, mol/m³; 0 for one that is not there.
func (e *Equilibrium) Amount(name string) float64 {
	if i := slices.IndexFunc(e.species, func(m member) bool { return m.name == name }); i >= 0 {
		return e.amounts[i]
	}
	return 0
}

// Activity returns log10 of the activity of a free component, on the mol/L scale; −Inf for one that is not there.
func (e *Equilibrium) Activity(c Component) float64 {
	if j := slices.Index(e.components, c); j >= 0 {
		return e.activity[j]
	}
	return math.Inf(-1)
}

// Saturation returns log10 of how far a solid is beyond its solubility (below zero: it dissolves), by the lowest
// and by the highest solubility in print. Both are −Inf where a part of it is not there.
func (e *Equilibrium) Saturation(s *Solid) (low, high float64) {
	q := 0.0
	for _, p := range s.parts {
		q += p.number * e.Activity(constants().components[p.of].Name)
	}
	shift := vantHoff(s.Heat, e.Kelvin)
	return q - s.High - shift, q - s.Low - shift
}

// Solids lists every solid of the table that these components can form.
func (e *Equilibrium) Solids() []*Solid {
	var all []*Solid
	t := constants()
	for i := range t.solids {
		s := &t.solids[i]
		if !slices.ContainsFunc(s.parts, func(p part) bool { return !slices.Contains(e.components, t.components[p.of].Name) }) {
			all = append(all, s)
		}
	}
	return all
}
