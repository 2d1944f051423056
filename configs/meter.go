package configs

import (
	"fmt"
	"math"
	"reflect"
	"slices"

	"nightcell/configs/quantity"
	"nightcell/drivers/scpi"
	"nightcell/integrate"
)

// Meter is a second instrument that measures what a cell gets. It is only asked.
type Meter struct {
	Supply  // the line to it
	Queries scpi.MeterQueries
	// Ohms of the shunt; 0: the meter answers in amperes.
	Ohms     float64
	Accuracy integrate.MeterSettings // with the shunt's
	Kelvin   float64                 // half-width of the temperature's accuracy
}

// Settings is what drivers/scpi needs to open the meter.
func (m *Meter) Settings() scpi.Settings { return m.Supply.Settings(1, math.NaN()) }

// Amperes is the current that an answer of the meter tells of.
func (m *Meter) Amperes(answer float64) float64 {
	if m.Ohms > 0 {
		return answer / m.Ohms
	}
	return answer
}

func readMeter(n named, data string) Meter {
	t := n.table
	t.checkName(n.name)
	m := Meter{Supply: readLine(n, data), Queries: scpi.MeterQueries{
		Current: t.text("current_query", ""), Voltage: t.text("voltage_query", ""), Temperature: t.text("temperature_query", ""),
	}}
	m.Dialect = readMeterDialect(t.orEmpty("dialect"))
	shunt := t.stated("shunt", positive, quantity.Resistance)
	if t.has("shunt") && !math.IsNaN(shunt.SI) {
		m.Ohms, m.Queries.Shunt = shunt.SI, true
		if !(shunt.PlusMinus >= 0) {
			t.bad("shunt", "it has no uncertainty, which is that of every ampere-hour", `write it as in shunt = "10 mohm ± 0.02 mohm"`)
		}
		if m.Queries.Current == "" {
			t.bad("shunt", "nothing is asked that it could turn into a current", `write current_query = "MEAS:VOLT:DC?"`)
		}
	}
	asked := false
	for _, q := range []struct{ key, text string }{{"current_query", m.Queries.Current}, {"voltage_query", m.Queries.Voltage}, {"temperature_query", m.Queries.Temperature}} {
		asked = asked || q.text != ""
		if q.text != "" && !scpi.OnlyAsks(q.text) {
			t.bad(q.key, fmt.Sprintf("'%s' is more than a query", q.text), "a meter is only asked: each command of the message has a question mark; set range and function at the meter")
		}
	}
	if !asked {
		t.bad("", "it is asked nothing", `write current_query = "MEAS:VOLT:DC?" with the shunt, voltage_query or temperature_query`)
	}
	m.readAccuracy(t.orEmpty("accuracy"), shunt)
	t.done()
	return m
}

// readAccuracy reads what the meter's data sheet says. Whatever it measures must be stated there: a second meter with a guessed doubt proves nothing.
func (m *Meter) readAccuracy(t *table, shunt quantity.Value) {
	figure := func(key string, needed bool, dims ...quantity.Dimension) float64 {
		ok := notNegative
		switch dims[0] {
		case quantity.Fraction:
			ok = upToAll
		case quantity.Temperature:
			ok = within(0, 50, `it is a difference; write it as in temperature = "0.5 K"`)
		}
		v := t.stated(key, ok, dims...)
		switch {
		case needed && !t.has(key):
			t.bad(key, "it is missing, and the meter measures by it", "take it from the meter's data sheet")
			return 0
		case math.IsNaN(v.SI):
			return 0
		case v.Dimension == quantity.Voltage && dims[0] == quantity.Current: // across the shunt
			return v.SI / m.Ohms
		}
		return v.SI
	}
	amperes := []quantity.Dimension{quantity.Current}
	if m.Ohms > 0 {
		amperes = append(amperes, quantity.Voltage)
	}
	current, voltage := m.Queries.Current != "", m.Queries.Voltage != ""
	a := &m.Accuracy
	a.GainRelative, a.OffsetAmperes, a.ResolutionAmperes = figure("current_gain", current, quantity.Fraction), figure("current_offset", current, amperes...), figure("current_resolution", false, amperes...)
	a.VoltGainRelative, a.VoltOffset, a.VoltResolution = figure("voltage_gain", voltage, quantity.Fraction), figure("voltage_offset", voltage, quantity.Voltage), figure("voltage_resolution", false, quantity.Voltage)
	m.Kelvin = figure("temperature", m.Queries.Temperature != "", quantity.Temperature)
	if m.Ohms > 0 && shunt.PlusMinus > 0 {
		a.GainRelative = math.Hypot(a.GainRelative, shunt.PlusMinus/m.Ohms)
	}
	t.done()
}

// ofMeters are the keys of a dialect that a meter has too: how it is greeted, how its answers look, how long it takes.
var ofMeters = []string{"identify", "resync", "volts_unit", "amperes_unit", "milliamperes", "millivolts", "headers", "terminator",
	"reply_terminator", "reply_silence", "echo", "pause", "open_pause", "timeout", "quiet"}

func readMeterDialect(t *table) scpi.Dialect {
	for _, f := range reflect.VisibleFields(reflect.TypeFor[scpi.Dialect]()) {
		if key := f.Tag.Get("toml"); t.has(key) && !slices.Contains(ofMeters, key) {
			t.bad(key, "a meter has nothing of the kind", "it is asked by current_query, voltage_query and temperature_query alone")
		}
	}
	return readDialect(t)
}

// checkMeters compares a cell with the meters it names. by tells which cell has a meter already.
func (c *Cell) checkMeters(t *table, all *Config, by map[string]string) {
	measured := map[string]string{}
	for i, name := range c.Meters {
		if slices.Contains(c.Meters[:i], name) {
			t.bad("meters", fmt.Sprintf("meter %s is named twice", name), "name it once")
			continue
		}
		m := all.Meter(name)
		if m == nil {
			t.bad("meters", fmt.Sprintf("there is no meter '%s'", name), "write a table [meter."+name+"]")
			continue
		}
		if other, taken := by[name]; taken {
			t.bad("meters", fmt.Sprintf("meter %s measures cell %s", name, other), "give each cell meters of its own")
		}
		by[name] = c.Name
		for _, q := range [][2]string{{"the current", m.Queries.Current}, {"the cell voltage", m.Queries.Voltage}, {"the temperature", m.Queries.Temperature}} {
			if other, twice := measured[q[0]]; twice && q[1] != "" {
				t.bad("meters", fmt.Sprintf("both %s and %s measure %s", other, name, q[0]), "leave out one, or its query")
			} else if q[1] != "" {
				measured[q[0]] = name
			}
		}
	}
}

// MetersOf are the meters of a cell.
func (c *Config) MetersOf(cell *Cell) (all []*Meter) {
	for _, name := range cell.Meters {
		all = append(all, c.Meter(name))
	}
	return all
}
