// Package matter knows what a bath is made of: the physical constants, the
// atomic weights with their uncertainty, chemical formulae, and a table of the
// metals that are won from water, in which every figure carries its origin.
//
// All numbers are SI: kg/mol, kg/m3, V, A/m2, K, s. The package has no state and
// reads no file but the tables embedded in it.
package matter

import "math"

// Physical constants. The first three are exact in the SI of 2019 and printed
// alike in CODATA 2018 and 2022; the others are products of them.
const (
	ElementaryCharge = 1.602176634e-19                        // C
	Avogadro         = 6.02214076e23                          // 1/mol
	Boltzmann        = 1.380649e-23                           // J/K
	Faraday          = ElementaryCharge * Avogadro            // C/mol, 96485.33212331...
	GasConstant      = Boltzmann * Avogadro                   // J/(mol K), 8.31446261815324
	ZeroCelsius      = 273.15                                 // K
	RoomTemperature  = 298.15                                 // K, 25 °C, at which tables of potentials hold
	Atmosphere       = 101325.0                               // Pa, standard atmosphere
	MolarMassH2O     = (2*1.0080 + 15.999) * 1e-3             // kg/mol, from the abridged CIAAW 2021 weights
	MolarMassH2SO4   = (2*1.0080 + 32.06 + 4*15.999) * 1e-3   // kg/mol, likewise
	MolarMassNaOH    = (22.98976928 + 15.999 + 1.0080) * 1e-3 // kg/mol, likewise
	AmpereHour       = 3600.0                                 // C
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
	w := Unmarked
	for _, m := range marks {
		w = max(w, m)
	}
	return w
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
