package solution

import (
	_ "embed" // the table is a file, so that it can be held beside the book
	"fmt"
	"math"
	"slices"
	"strings"

	"nightcell/integrate/matter"
)

//go:embed solubility.toml
var solubilityTOML string

// Soluble is how much of an anhydrous salt water dissolves by temperature.
type Soluble struct {
	Formula string
	Celsius []float64
	Percent []float64 // g in 100 g of saturated solution, at each of Celsius
	Source  string
	Mark    matter.Mark `toml:"-"`
	salt    matter.Formula
}

// fullestWater is the density of cold water, kg/m³: a m³ of bath holds no more of it.
const fullestWater = 1000

var solubles = matter.Table("solubility.toml", solubilityTOML, settleSolubles)

// solubilityFile is solubility.toml.
type solubilityFile struct {
	Source map[string]matter.Source
	Salt   []Soluble
}

func settleSolubles(file *solubilityFile) ([]Soluble, error) {
	for i := range file.Salt {
		s := &file.Salt[i]
		mark, source := file.Source[s.Source].Cite()
		f, err := matter.ParseFormula(s.Formula)
		if err != nil || mark == matter.Unmarked || len(s.Celsius) == 0 || len(s.Celsius) != len(s.Percent) || !slices.IsSorted(s.Celsius) {
			return nil, fmt.Errorf("%s: its source, or as many temperatures as figures in their order, is missing (%v)", s.Formula, err)
		}
		s.salt, s.Source, s.Mark = f, source, mark
	}
	return file.Salt, nil
}

// SolubilityOf returns the row of a salt, whatever water of crystallization it holds.
func SolubilityOf(f matter.Formula) (Soluble, bool) {
	anhydrous, _, _ := strings.Cut(f.String(), "·")
	for _, s := range solubles() {
		if s.Formula == anhydrous {
			return s, true
		}
	}
	return Soluble{}, false
}

// Of returns the kg of anhydrous salt that a m³ of bath holds at the most at a temperature in kelvin: what a m³ of water dissolves, which is
// somewhat more, because the salt takes room. Outside the table's temperatures the nearest counts; NaN stands for the best of all temperatures.
func (s *Soluble) Of(kelvin float64) float64 {
	share := slices.Max(s.Percent)
	if !math.IsNaN(kelvin) {
		t, last := kelvin-matter.ZeroCelsius, len(s.Celsius)-1
		switch i, _ := slices.BinarySearch(s.Celsius, t); {
		case i == 0:
			share = s.Percent[0]
		case i > last:
			share = s.Percent[last]
		default:
			part := (t - s.Celsius[i-1]) / (s.Celsius[i] - s.Celsius[i-1])
			share = s.Percent[i-1] + part*(s.Percent[i]-s.Percent[i-1])
		}
	}
	return fullestWater * share / (100 - share)
}

// Anhydrous returns the mass of the anhydrous salt of the row, kg/mol.
func (s *Soluble) Anhydrous() float64 {
	dry, _ := s.salt.MolarMass()
	return dry
}

// MostOf returns the kg of a metal that a m³ of bath of a medium holds at the most at any temperature, and the salt that holds it.
func MostOf(metal string, medium matter.Medium) (most float64, row Soluble, ok bool) {
	for _, s := range solubles() {
		if s.salt.Count(metal) == 0 || s.salt.Medium() != medium {
			continue
		}
		share, _ := s.salt.MassFraction(metal)
		if m := s.Of(math.NaN()) * share; m > most {
			most, row, ok = m, s, true
		}
	}
	return most, row, ok
}
