package quantity

import (
	"fmt"
	"slices"
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

// description is what is known of one dimension. shown lists the units of Format
// from small to large; example is what an error offers.
type description struct {
	name    string
	base    exponents
	si      string // the unit in which Parse returns it
	shown   []string
	example string
}

var descriptions = [dimensionCount]description{
	Number:              {"a plain number", exponents{}, "", []string{""}, "4.5"},
	Fraction:            {"a fraction", exponents{}, "", []string{"ppm", "%"}, "88 %"},
	Length:              {"a length", exponents{0, 1}, "m", []string{"nm", "µm", "mm", "m"}, "30 mm"},
	Area:                {"an area", exponents{0, 2}, "m2", []string{"mm2", "cm2", "m2"}, "60 cm2"},
	Volume:              {"a volume", exponents{0, 3}, "m3", []string{"mL", "L", "m3"}, "0.9 L"},
	Mass:                {"a mass", exponents{1}, "kg", []string{"mg", "g", "kg"}, "250 g"},
	Amount:              {"an amount of substance", exponents{5: 1}, "mol", []string{"mmol", "mol"}, "0.5 mol"},
	Time:                {"a time", exponents{2: 1}, "s", []string{"ms", "s", "min", "h"}, "45 min"},
	Temperature:         {"a temperature", exponents{4: 1}, "K", []string{"°C"}, "25 °C"},
	Current:             {"a current", exponents{3: 1}, "A", []string{"µA", "mA", "A"}, "3 A"},
	Voltage:             {"a voltage", exponents{1, 2, -3, -1}, "V", []string{"µV", "mV", "V"}, "3.2 V"},
	Charge:              {"a charge", exponents{2: 1, 3: 1}, "C", []string{"C", "A h"}, "26 A h"},
	CurrentDensity:      {"a current density", exponents{0, -2, 0, 1}, "A/m2", []string{"A/m2", "A/dm2"}, "3 A/dm2"},
	MassConcentration:   {"a mass concentration", exponents{1, -3}, "kg/m3", []string{"mg/L", "g/L"}, "60 g/L"},
	AmountConcentration: {"an amount concentration", exponents{0, -3, 0, 0, 0, 1}, "mol/m3", []string{"mmol/L", "mol/L"}, "0.9 mol/L"},
	Power:               {"a power", exponents{1, 2, -3}, "W", []string{"mW", "W", "kW"}, "12 W"},
	Energy:              {"an energy", exponents{1, 2, -2}, "J", []string{"J", "Wh", "kWh"}, "0.2 kWh"},
	EnergyPerMass:       {"an energy per mass", exponents{0, 2, -2}, "J/kg", []string{"J/kg", "kWh/kg"}, "4 kWh/kg"},
	Resistance:          {"a resistance", exponents{1, 2, -3, -2}, "Ω", []string{"mΩ", "Ω", "kΩ"}, "20 mohm"},
	Conductance:         {"a conductance", exponents{-1, -2, 3, 2}, "S", []string{"mS", "S"}, "5 S"},
	Conductivity:        {"a conductivity", exponents{-1, -3, 3, 2}, "S/m", []string{"µS/cm", "mS/cm", "S/m"}, "80 mS/cm"},
	VolumeFlow:          {"a volume flow", exponents{0, 3, -1}, "m3/s", []string{"L/h", "m3/h"}, "5 m3/h"},
	Velocity:            {"a velocity", exponents{0, 1, -1}, "m/s", []string{"µm/s", "m/s"}, "1e-5 m/s"},
	VoltageRate:         {"a rate of voltage", exponents{1, 2, -4, -1}, "V/s", []string{"mV/h", "V/h"}, "0.2 V/h"},
	Pressure:            {"a pressure", exponents{1, -1, -2}, "Pa", []string{"Pa", "hPa", "kPa", "bar"}, "1013 hPa"},
	Data:                {"an amount of data", exponents{6: 1}, "B", []string{"B", "kB", "MB", "GB"}, "200 MB"},
}

// String names the dimension with its article, as errors do: "a mass".
func (d Dimension) String() string {
	if d >= dimensionCount {
		return "an unknown dimension"
	}
	return descriptions[d].name
}

// UnmarshalText reads the name that String gives.
func (d *Dimension) UnmarshalText(name []byte) error {
	i := slices.IndexFunc(descriptions[:], func(known description) bool { return known.name == string(name) })
	if i < 0 {
		return fmt.Errorf("no dimension is called %q", name)
	}
	*d = Dimension(i)
	return nil
}

// Example returns one well-formed quantity of the dimension, for help texts and errors.
func (d Dimension) Example() string { return descriptions[d].example }

// named returns the dimension that has the given base exponents. A dimensionless
// unit is a fraction, because Number takes no unit at all.
func named(e exponents) (Dimension, bool) {
	for d := Fraction; d < dimensionCount; d++ {
		if descriptions[d].base == e {
			return d, true
		}
	}
	return 0, false
}
