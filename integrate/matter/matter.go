// Package matter knows what a bath is made of: the physical constants, the
// atomic weights with their uncertainty, chemical formulae, and a table of the
// metals that are won from water, in which every figure carries its origin.
//
// All numbers are SI: kg/mol, kg/m3, V, A/m2, K, s. The package has no state and
// reads no file but the tables embedded in it.
package matter

import (
	_ "embed" // the table of weights is a file, so that a chemist can check it line by line
	"fmt"
	"math"
	"slices"
	"strings"
	"sync"
)

// Physical constants. The first three are exact in the SI of 2019 and printed
// alike in CODATA 2018 and 2022; the others are products of them.
const (
	ElementaryCharge = 1.602176634e-19                      // C
	Avogadro         = 6.02214076e23                        // 1/mol
	Boltzmann        = 1.380649e-23                         // J/K
	Faraday          = ElementaryCharge * Avogadro          // C/mol, 96485.33212331...
	GasConstant      = Boltzmann * Avogadro                 // J/(mol K), 8.31446261815324
	ZeroCelsius      = 273.15                               // K
	RoomTemperature  = 298.15                               // K, 25 °C, at which tables of potentials hold
	Atmosphere       = 101325.0                             // Pa, standard atmosphere
	MolarMassH2O     = (2*1.0080 + 15.999) * 1e-3           // kg/mol, from the abridged CIAAW 2021 weights
	MolarMassH2SO4   = (2*1.0080 + 32.06 + 4*15.999) * 1e-3 // kg/mol, likewise
	AmpereHour       = 3600.0                               // C
)

// MolarVolume returns the volume of one mole of an ideal gas in m3/mol at a
// temperature in K and a pressure in Pa, both positive: V = RT/p.
func MolarVolume(kelvin, pascal float64) float64 { return GasConstant * kelvin / pascal }

// Mark says where a figure comes from. The order is by trust: a computed figure
// carries the weakest mark of what went into it.
type Mark uint8

// The marks.
const (
	Unmarked  Mark = iota // no figure at all
	Measured              // an instrument or an assay gave it
	Given                 // the operator stated it
	Published             // a named source prints it
	Assumed               // common practice or memory; nobody vouches for it
)

var markNames = [...]string{"", "measured", "given", "published", "assumed"}

// String returns the word used in plans.
func (m Mark) String() string {
	if int(m) < len(markNames) {
		return markNames[m]
	}
	return ""
}

// Weakest returns the least trusted of the marks.
func Weakest(marks ...Mark) Mark {
	return slices.Max(append(marks, Unmarked))
}

// Figure is a number that knows how good it is and where it comes from. The
// zero Figure means that nobody stated one.
type Figure struct {
	Value               float64
	StandardUncertainty float64 // same unit as Value; JCGM 100
	Low, High           float64 // limits of a doubt that is not the same to both sides; both 0: it is
	Mark                Mark
	Source              string // what is published, or why it is assumed; may be empty for given figures
}

// Known says whether there is a figure at all.
func (f Figure) Known() bool { return f.Mark != Unmarked }

// Skewed says whether the figure has limits instead of a doubt that is the same to both sides.
func (f Figure) Skewed() bool { return f.High > f.Low }

// Relative returns the relative standard uncertainty, 0 for a value of 0.
func (f Figure) Relative() float64 {
	if f.Value == 0 {
		return 0
	}
	return math.Abs(f.StandardUncertainty / f.Value)
}

// Limits are those of the figure, or twice its standard uncertainty to either side.
func (f Figure) Limits() (low, high float64) {
	if f.Skewed() {
		return f.Low, f.High
	}
	return f.Value - 2*f.StandardUncertainty, f.Value + 2*f.StandardUncertainty
}

// Times returns the figure, its doubt and its limits times a factor.
func (f Figure) Times(factor float64) Figure {
	f.Value, f.StandardUncertainty, f.Low, f.High = f.Value*factor, f.StandardUncertainty*math.Abs(factor), f.Low*factor, f.High*factor
	if factor < 0 {
		f.Low, f.High = f.High, f.Low
	}
	return f
}

// Ratio divides independent figures.
func Ratio(x, y Figure) Figure {
	value := x.Value / y.Value
	return Figure{Value: value, StandardUncertainty: math.Abs(value) * math.Hypot(x.Relative(), y.Relative()), Mark: Weakest(x.Mark, y.Mark)}
}

// GivenFigure is a figure that the operator stated, with an absolute standard uncertainty in the same unit.
func GivenFigure(value, standardUncertainty float64) Figure {
	return Figure{Value: value, StandardUncertainty: standardUncertainty, Mark: Given}
}

// Range is a usual window, from Low to High, in the unit its owner states.
type Range struct {
	Low, High float64
	Mark      Mark
	Source    string
}

// Known says whether there is a range at all.
func (r Range) Known() bool { return r.Mark != Unmarked }

// Middle returns the middle of the range.
func (r Range) Middle() float64 { return (r.Low + r.High) / 2 }

//go:embed weights.csv
var weightsCSV string

// weights is the source of the standard atomic weights.
const weights = "Prohaska et al., Standard atomic weights of the elements 2021, Pure and Applied Chemistry 2022, doi 10.1515/pac-2019-0603"

// Element is one chemical element.
type Element struct {
	Number int
	Symbol string
	Name   string
	// Weight is the molar mass in kg/mol. Its uncertainty is the half-width that
	// CIAAW prints, taken as rectangular (divided by the root of 3), as IUPAC's
	// guidance on the use of atomic weights advises. Not Known for an element without a standard atomic weight.
	Weight Figure
}

// elements is the periodic table by symbol; immutable once parsed.
var elements = sync.OnceValue(func() map[string]Element {
	table := make(map[string]Element, 92)
	for line := range strings.Lines(weightsCSV) {
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "number") {
			continue
		}
		e, err := parseElement(strings.Split(strings.TrimSpace(line), ","))
		if err != nil {
			panic("matter: embedded weights.csv: " + err.Error()) // a test reads the table, so this cannot ship
		}
		table[e.Symbol] = e
	}
	return table
})

func parseElement(field []string) (Element, error) {
	if len(field) != 6 {
		return Element{}, fmt.Errorf("%q: 6 fields are needed", field)
	}
	e := Element{Symbol: field[1], Name: field[2]}
	if _, err := fmt.Sscan(field[0], &e.Number); err != nil || field[3] == "" {
		return e, err
	}
	var weight, half float64
	if _, err := fmt.Sscan(field[3]+" "+field[4], &weight, &half); err != nil {
		return e, err
	}
	e.Weight = Figure{Value: weight * 1e-3, StandardUncertainty: half * 1e-3 / math.Sqrt(3), Mark: Published, Source: weights}
	if field[5] != "ciaaw" {
		e.Weight.Mark, e.Weight.Source = Assumed, "from memory"
	}
	return e, nil
}

// LookUpElement finds an element by its symbol, which is case-sensitive: Co is cobalt.
func LookUpElement(symbol string) (Element, bool) {
	e, ok := elements()[symbol]
	return e, ok
}

// Medium is what the metal is dissolved in, as far as electrolysis cares.
type Medium string

// The media.
const (
	Sulfate          Medium = "sulfate"
	Chloride         Medium = "chloride"
	Nitrate          Medium = "nitrate"
	Sulfamate        Medium = "sulfamate"
	Methanesulfonate Medium = "methanesulfonate"
	Fluoborate       Medium = "fluoborate" // and fluosilicate
	Cyanide          Medium = "cyanide"
	Alkaline         Medium = "alkaline" // metal dissolved as hydroxo complex
	Ammine           Medium = "ammine"   // metal dissolved as ammonia complex
	Sulfide          Medium = "sulfide"
	Chromic          Medium = "chromic" // chromic acid
	anyMedium        Medium = "any"     // in the table: whatever is not listed
)

// Media lists every Medium.
func Media() []Medium {
	return []Medium{Sulfate, Chloride, Nitrate, Sulfamate, Methanesulfonate, Fluoborate, Cyanide, Alkaline, Ammine, Sulfide, Chromic}
}

// Known says whether m is one of Media.
func (m Medium) Known() bool { return slices.Contains(Media(), m) }

// Acidic says whether baths of this medium are usually acid or can be, so that
// a deposit meets acid when the current stops.
func (m Medium) Acidic() bool { return m != Cyanide && m != Alkaline && m != Sulfide && m != Ammine }

// Anionic says whether the metal is mostly in an anion, such as a cyanide complex, which the field drives to the anode.
func (m Medium) Anionic() bool { return m == Cyanide || m == Alkaline || m == Sulfide || m == Chromic }

// covers says whether a table row for these media holds for m.
func covers(media []Medium, m Medium) bool {
	return slices.Contains(media, m) || slices.Contains(media, anyMedium)
}

// unseen stands for authors in the file where only title and place were seen.
const unseen = "authors not seen"

// Source is where figures of a table come from, as its file says it. A published one states all that a reader needs to
// find the figure: Author (who or which body), Title, Year, and Where in it, such as a page, a table, an appendix or a DOI.
type Source struct {
	Mark                 string // published, or assumed: common practice or memory
	Author, Title, Where string
	Year                 int
	Text                 string // in their place, where nothing is published
}

// Cite returns the mark and the words to print beside a figure.
func (s Source) Cite() (Mark, string) {
	switch s.Mark {
	case "published":
		return Published, strings.TrimPrefix(fmt.Sprintf("%s, %s, %d, %s", s.Author, s.Title, s.Year, s.Where), unseen+", ")
	case "assumed":
		return Assumed, s.Text
	}
	return Unmarked, ""
}
