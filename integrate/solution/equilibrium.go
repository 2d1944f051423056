// Package solution works out what a bath's water does with acid, ligands and metal ions: pH, complexes and which
// solid falls out, from published constants. It solves mass balances; it knows no electrode and no run.
package solution

import (
	"math"
	"slices"

	"nightcell/integrate/matter"
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

// ProtonWarmth is w of Diffusion for H+, K; 0 holds for the ions of metals.
const ProtonWarmth = 838

// Viscosity returns that of water in Pa·s at a temperature in kelvin, 273 to 373 K: Korson, Drost-Hansen and Millero, J. Phys. Chem. 73 (1969) 34.
func Viscosity(kelvin float64) float64 {
	t := kelvin - matter.ZeroCelsius
	return 1.0020e-3 * math.Pow(10, (1.1709*(20-t)-0.001827*(t-20)*(t-20))/(t+89.93))
}

// Diffusion returns by what factor the diffusion of an ion grows from 25 °C to a temperature in kelvin, exp(w/T − w/298.15)·η(25 °C)/η(T):
// the rule of the U.S. Geological Survey's phreeqc data file, where w stands for each ion.
func Diffusion(w, kelvin float64) float64 {
	return math.Exp(w/kelvin-w/matter.RoomTemperature) * Viscosity(matter.RoomTemperature) / Viscosity(kelvin)
}

// Transfer returns by what factor the transfer of a metal ion to a wall grows from 25 °C, as D^(2/3)·ν^(−1/6) of a laminar layer does.
func Transfer(kelvin float64) float64 {
	return math.Pow(Diffusion(0, kelvin), 2.0/3) * math.Pow(Viscosity(matter.RoomTemperature)/Viscosity(kelvin), 1.0/6)
}

// Conduction returns by what factor the conductivity of ions with that w grows from 25 °C: by Nernst and Einstein it goes with D/T.
func Conduction(w, kelvin float64) float64 {
	return Diffusion(w, kelvin) * matter.RoomTemperature / kelvin
}
