package quantity

import (
	"testing"

	"github.com/BurntSushi/toml"
)

// TestTables reads the tables of dimensions and units strictly: the package takes them as they are.
func TestTables(t *testing.T) {
	var all struct {
		Dimension []description
		Unit      map[string]atom
	}
	meta, err := toml.Decode(unitsText, &all)
	if err != nil || len(meta.Undecoded()) > 0 || len(all.Dimension) != int(dimensionCount) {
		t.Fatalf("%v; unknown keys %v; %d dimensions", err, meta.Undecoded(), len(all.Dimension))
	}
	for _, d := range []struct {
		Dimension
		name string
	}{
		{Number, "a plain number"}, {Fraction, "a fraction"}, {Length, "a length"}, {Area, "an area"}, {Volume, "a volume"}, {Mass, "a mass"}, {Amount, "an amount of substance"},
		{Time, "a time"}, {Temperature, "a temperature"}, {Current, "a current"}, {Voltage, "a voltage"}, {Charge, "a charge"}, {CurrentDensity, "a current density"},
		{MassConcentration, "a mass concentration"}, {AmountConcentration, "an amount concentration"}, {Power, "a power"}, {Energy, "an energy"},
		{EnergyPerMass, "an energy per mass"}, {Resistance, "a resistance"}, {Conductance, "a conductance"}, {Conductivity, "a conductivity"},
		{VolumeFlow, "a volume flow"}, {Velocity, "a velocity"}, {VoltageRate, "a rate of voltage"}, {Pressure, "a pressure"}, {Data, "an amount of data"},
	} {
		if d.String() != d.name {
			t.Errorf("%s is called %s", d.name, d)
		}
		for _, symbol := range append([]string{all.Dimension[d.Dimension].SI}, all.Dimension[d.Dimension].Shown...) {
			if got := mustUnit(symbol); got.base != all.Dimension[d.Dimension].Base {
				t.Errorf("%q of %s measures %v", symbol, d, got.base)
			}
		}
	}
	for symbol, a := range all.Unit {
		if !(a.Num > 0 && a.Den > 0) || a.Of == Number {
			t.Errorf("%s: %+v", symbol, a)
		}
	}
}
