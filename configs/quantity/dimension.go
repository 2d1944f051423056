package quantity

import (
	_ "embed" // the tables of dimensions and units
	"fmt"
	"slices"
	"sync"

	"github.com/BurntSushi/toml"
)

// Dimension is the kind of a quantity: what it measures, not in which unit. The
// zero Dimension is Number.
type Dimension uint8

// The dimensions that nightcell knows, each with the SI unit in which Parse
// returns it. MassConcentration and AmountConcentration are different kinds: only
// a molar mass turns one into the other, and a quantity does not carry one.
const (
	Number              Dimension = iota // a plain number without a unit
	Fraction                             // 1; written in % or ppm
	Length                               // m
	Area                                 // m2
	Volume                               // m3
	Mass                                 // kg
	Amount                               // mol
	Time                                 // s
	Temperature                          // K, thermodynamic; °C and °F are shifted
	Current                              // A
	Voltage                              // V
	Charge                               // C
	CurrentDensity                       // A/m2
	MassConcentration                    // kg/m3, also a density
	AmountConcentration                  // mol/m3
	Power                                // W
	Energy                               // J
	EnergyPerMass                        // J/kg
	Resistance                           // ohm
	Conductance                          // S
	Conductivity                         // S/m
	VolumeFlow                           // m3/s
	Velocity                             // m/s
	VoltageRate                          // V/s
	Pressure                             // Pa
	Data                                 // B (bytes)
	dimensionCount
)

// exponents of the base units, in the order kg m s A K mol B.
type exponents [7]int16

// description is what is known of one dimension; units.toml says what each part is.
type description struct {
	Name    string
	Base    exponents
	SI      string
	Shown   []string
	Example string
}

//go:embed units.toml
var unitsText string

// descriptions are those of the dimensions, by their constants.
var descriptions = sync.OnceValue(func() []description {
	var all struct{ Dimension []description }
	_, _ = toml.Decode(unitsText, &all) // the tests read every row
	return all.Dimension
})

// String names the dimension with its article, as errors do: "a mass".
func (d Dimension) String() string {
	if d >= dimensionCount {
		return "an unknown dimension"
	}
	return descriptions()[d].Name
}

// UnmarshalText reads the name that String gives.
func (d *Dimension) UnmarshalText(name []byte) error {
	i := slices.IndexFunc(descriptions(), func(known description) bool { return known.Name == string(name) })
	if i < 0 {
		return fmt.Errorf("no dimension is called %q", name)
	}
	*d = Dimension(i)
	return nil
}

// Example returns one well-formed quantity of the dimension, for help texts and errors.
func (d Dimension) Example() string { return descriptions()[d].Example }

// named returns the dimension that has the given base exponents. A dimensionless
// unit is a fraction, because Number takes no unit at all.
func named(e exponents) (Dimension, bool) {
	for d := Fraction; d < dimensionCount; d++ {
		if descriptions()[d].Base == e {
			return d, true
		}
	}
	return 0, false
}
