package solution

import (
	_ "embed" // the constants are a file, so that a chemist can check them row by row
	"fmt"
	"maps"
	"math"
	"slices"

	"nightcell/integrate/matter"
)

// Component is what species are made of and what a bath holds totals of, such as Zn+2, SO4-2 or NH3.
// H stands for acid: its total is the H+ that went in less the OH-.
type Component string

// H is the component for acid. Every solution has it.
const H Component = "H+"

//go:embed constants.toml
var constantsTOML string

// compound is what the rows of the table have in common.
type compound struct {
	Name   string
	Of     map[Component]float64 // of a solid: what it sets free per formula unit; H+ below zero: acid that it takes up
	Heat   float64               // kJ/mol
	Source string
	parts  []part // as Of, by the numbers of the table
}

// species is an ion, a complex or a dissolved molecule.
type species struct {
	compound
	LogK     float64
	Analytic []float64 // before LogK and Heat where it is given
	Spread   float64   // in log K
	charge   float64
}

// Solid is a compound that can fall out.
type Solid struct {
	compound
	Low, High float64     // log K of dissolution, as compilations differ
	Mark      matter.Mark `toml:"-"`
}

// table is the file as read; immutable.
type table struct {
	components []component
	number     map[Component]int // of a component in the list
	species    []species
	solids     []Solid
}

// component is one row of the table.
type component struct {
	Name   Component
	Charge float64
}

var constants = matter.Table("constants.toml", constantsTOML, settleConstants)

// constantsFile is constants.toml.
type constantsFile struct {
	Source    map[string]matter.Source
	Component []component
	Species   []species
	Solid     []Solid
}

func settleConstants(file *constantsFile) (_ *table, err error) {
	t := &table{components: file.Component, number: make(map[Component]int)}
	for i, c := range file.Component {
		t.number[c.Name] = i
	}
	// settle puts the source in the place of its key, and finds the parts.
	settle := func(r *compound) (mark matter.Mark, err error) {
		key := r.Source
		if mark, r.Source = file.Source[key].Cite(); mark == matter.Unmarked {
			return mark, fmt.Errorf("%s: source %q is not listed", r.Name, key)
		}
		for _, c := range slices.Sorted(maps.Keys(r.Of)) {
			number, ok := t.number[c]
			if !ok {
				return mark, fmt.Errorf("%s: component %q is not listed", r.Name, c)
			}
			r.parts = append(r.parts, part{number, r.Of[c]})
		}
		return mark, nil
	}
	seen := make(map[string]bool)
	for _, s := range file.Species {
		if seen[s.Name] {
			return nil, fmt.Errorf("%s is listed twice", s.Name)
		}
		seen[s.Name] = true
		if _, err := settle(&s.compound); err != nil {
			return nil, err
		}
		for _, p := range s.parts {
			s.charge += p.number * t.components[p.of].Charge
		}
		t.species = append(t.species, s)
	}
	for _, s := range file.Solid {
		if s.Mark, err = settle(&s.compound); err != nil {
			return nil, err
		}
		t.solids = append(t.solids, s)
	}
	return t, nil
}

// WaterExponent returns pKw at a temperature in kelvin; NaN outside 273 to 373 K.
func WaterExponent(kelvin float64) float64 {
	if !(kelvin >= 273 && kelvin <= 373.2) {
		return math.NaN()
	}
	t := constants()
	return -t.species[slices.IndexFunc(t.species, func(s species) bool { return s.Name == "OH-" })].logK(kelvin)
}

// logK returns the constant at a temperature in kelvin: by the fit where the row has one, else by van 't Hoff's
// equation with a constant heat, log K(T) = log K(25 °C) − ΔH/(R·ln 10)·(1/T − 1/298.15 K).
func (s *species) logK(kelvin float64) float64 {
	if a := s.Analytic; len(a) > 0 {
		k := 0.0
		terms := [...]float64{1, kelvin, 1 / kelvin, math.Log10(kelvin), 1 / (kelvin * kelvin), kelvin * kelvin}
		for i, v := range a {
			k += v * terms[i]
		}
		return k
	}
	return s.LogK + vantHoff(s.Heat, kelvin)
}

// vantHoff is the shift of log K from 25 °C to a temperature, for a heat of reaction in kJ/mol.
func vantHoff(heat, kelvin float64) float64 {
	return -heat * 1e3 / (matter.GasConstant * math.Ln10) * (1/kelvin - 1/matter.RoomTemperature)
}
