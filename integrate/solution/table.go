package solution

import (
	_ "embed" // the constants are a file, so that a chemist can check them row by row
	"fmt"
	"maps"
	"math"
	"slices"
	"sync"

	"github.com/BurntSushi/toml"

	"nightcell/integrate/matter"
)

// Component is what species are made of and what a bath holds totals of, such as Zn+2, SO4-2 or NH3.
// H stands for acid: its total is the H+ that went in less the OH-.
type Component string

// H is the component for acid. Every solution has it.
const H Component = "H+"

//go:embed constants.toml
var constantsTOML string

// species is one row of the table: an ion, a complex or a dissolved molecule.
type species struct {
	Name     string
	Of       map[Component]float64
	LogK     float64
	Heat     float64   // kJ/mol
	Analytic []float64 // before LogK and Heat where it is given
	Spread   float64   // in log K
	Source   string
	charge   float64
	parts    []part // as Of, by the numbers of the table
}

// Solid is a compound that can fall out.
type Solid struct {
	Name      string
	Of        map[Component]float64 // what it sets free per formula unit; H+ below zero: acid that it takes up
	Low, High float64               // log K of dissolution, as compilations differ
	Heat      float64               // kJ/mol
	Source    string
	Mark      matter.Mark `toml:"-"`
	parts     []part
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

var constants = sync.OnceValue(func() *table {
	t, err := parseTable(constantsTOML)
	if err != nil {
		panic("solution: embedded constants.toml: " + err.Error()) // a test reads the table, so this cannot ship
	}
	return t
})

func parseTable(text string) (*table, error) {
	var file struct {
		Source    map[string]matter.Source
		Component []component
		Species   []species
		Solid     []Solid
	}
	meta, err := toml.Decode(text, &file)
	if err != nil {
		return nil, err
	}
	if extra := meta.Undecoded(); len(extra) > 0 {
		return nil, fmt.Errorf("unknown keys %v", extra)
	}
	t := &table{components: file.Component, number: make(map[Component]int)}
	for i, c := range file.Component {
		t.number[c.Name] = i
	}
	parts := func(of map[Component]float64) (list []part) {
		for _, c := range slices.Sorted(maps.Keys(of)) {
			list = append(list, part{t.number[c], of[c]})
		}
		return list
	}
	check := func(name, source string, of map[Component]float64) error {
		if mark, _ := file.Source[source].Cite(); mark == matter.Unmarked {
			return fmt.Errorf("%s: source %q is not listed", name, source)
		}
		for c := range of {
			if _, ok := t.number[c]; !ok {
				return fmt.Errorf("%s: component %q is not listed", name, c)
			}
		}
		return nil
	}
	seen := make(map[string]bool)
	for _, s := range file.Species {
		if seen[s.Name] {
			return nil, fmt.Errorf("%s is listed twice", s.Name)
		}
		seen[s.Name] = true
		if err := check(s.Name, s.Source, s.Of); err != nil {
			return nil, err
		}
		s.parts = parts(s.Of)
		for _, p := range s.parts {
			s.charge += p.number * t.components[p.of].Charge
		}
		_, s.Source = file.Source[s.Source].Cite()
		t.species = append(t.species, s)
	}
	for _, s := range file.Solid {
		if err := check(s.Name, s.Source, s.Of); err != nil {
			return nil, err
		}
		s.Mark, s.Source = file.Source[s.Source].Cite()
		s.parts = parts(s.Of)
		t.solids = append(t.solids, s)
	}
	return t, nil
}

// Known says whether the table has constants for a component.
func Known(c Component) bool {
	_, ok := constants().number[c]
	return ok
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
