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

	names    []string
	amounts  []float64             // mol/m³, as names
	activity map[Component]float64 // log10, mol/L scale
}

func (s *system) result(x []float64, gamma, strength, kelvin float64) Equilibrium {
	e := Equilibrium{Kelvin: kelvin, IonicStrength: strength * perCubicMetre, names: s.names, activity: make(map[Component]float64)}
	for i, c := range s.concentrations(x) {
		e.amounts = append(e.amounts, c*perCubicMetre)
		e.Acid += s.nu[i][0] * c * perCubicMetre
	}
	for j, c := range s.components {
		e.activity[c] = x[j]/math.Ln10 + gamma*s.charges[j]*s.charges[j]
	}
	e.PH = -e.activity[H] + 0 // no minus zero
	return e
}

// Amount returns the concentration of one species, mol/m³; 0 for one that is not there.
func (e *Equilibrium) Amount(name string) float64 {
	if i := slices.Index(e.names, name); i >= 0 {
		return e.amounts[i]
	}
	return 0
}

// Activity returns log10 of the activity of a free component, on the mol/L scale; −Inf for one that is not there.
func (e *Equilibrium) Activity(c Component) float64 {
	if a, ok := e.activity[c]; ok {
		return a
	}
	return math.Inf(-1)
}

// Saturation returns log10 of how far a solid is beyond its solubility (below zero: it dissolves), by the lowest
// and by the highest solubility in print. Both are −Inf where a part of it is not there.
func (e *Equilibrium) Saturation(s *Solid) (low, high float64) {
	q := 0.0
	for c, n := range s.Of {
		q += n * e.Activity(c)
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
		present := true
		for c := range s.Of {
			_, ok := e.activity[c]
			present = present && ok
		}
		if present {
			all = append(all, s)
		}
	}
	return all
}
