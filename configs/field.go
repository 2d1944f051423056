package configs

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// kind names what a TOML value is, for errors.
func kind(v any) string {
	switch v.(type) {
	case string:
		return "a string"
	case int64, float64:
		return "a number"
	case bool:
		return "true or false"
	case []any, []map[string]any:
		return "a list"
	case map[string]any:
		return "a table"
	}
	return "a date or time"
}

// written returns the value of a key as a T; ok is false for one that is not written, and for another kind of value, which is a mistake.
func written[T any](t *table, name, instead, remedy string) (value T, ok bool) {
	v, found := t.raw(name)
	value, ok = v.(T)
	if found && !ok {
		t.bad(name, kind(v)+" instead of "+instead, remedy)
	}
	return value, ok
}

// text returns a string.
func (t *table) text(name, fallback string) string {
	s, ok := written[string](t, name, "a string", "write it in quotation marks")
	if !ok {
		return fallback
	}
	if strings.ContainsRune(s, 0) {
		t.bad(name, "the text contains a zero byte", "take it out")
		return fallback
	}
	return s
}

// required is text that must be written and not be empty.
func (t *table) required(name, example string) string {
	s := t.text(name, "")
	if s == "" && (!t.has(name) || t.isText(name)) {
		t.bad(name, "it is missing or empty", fmt.Sprintf("write %s = %q", name, example))
	}
	return s
}

func (t *table) isText(name string) bool {
	v, _ := t.raw(name)
	_, ok := v.(string)
	return ok
}

// choice returns one of a few words.
func (t *table) choice(name, fallback string, allowed ...string) string {
	s := t.today(name, t.text(name, fallback))
	if s == fallback || slices.Contains(allowed, s) {
		return s
	}
	remedy := "it is one of " + strings.Join(allowed, ", ")
	if meant := quantity.Nearest(s, allowed); meant != "" {
		remedy += fmt.Sprintf("; is '%s' meant?", meant)
	}
	t.bad(name, fmt.Sprintf("'%s' is unknown", s), remedy)
	return fallback
}

// texts returns a list of strings.
func (t *table) texts(name string) []string {
	items, ok := written[[]any](t, name, "a list of strings", fmt.Sprintf(`write it as in %s = ["…", "…"]`, name))
	if !ok {
		return nil
	}
	all := make([]string, 0, len(items))
	for _, item := range items {
		s, ok := item.(string)
		if !ok {
			t.bad(name, kind(item)+" in a list of strings", "write it in quotation marks")
			return nil
		}
		all = append(all, s)
	}
	return all
}

// flag returns true or false.
func (t *table) flag(name string, fallback bool) bool {
	if b, ok := written[bool](t, name, "true or false", "write true or false, without quotation marks"); ok {
		return b
	}
	return fallback
}

// whole returns a whole number within limits.
func (t *table) whole(name string, fallback, least, most int) int {
	n, ok := written[int64](t, name, "a whole number", fmt.Sprintf("write it as in %s = %d", name, fallback))
	if !ok {
		return fallback
	}
	if n < int64(least) || n > int64(most) {
		t.bad(name, fmt.Sprintf("%d is out of range", n), fmt.Sprintf("it lies between %d and %d", least, most))
		return fallback
	}
	return int(n)
}

// wholes returns a list of whole numbers within limits.
func (t *table) wholes(name string, least, most int64) []int {
	items, _ := written[[]any](t, name, "a list of whole numbers", fmt.Sprintf("write it as in %s = [2, 3]", name))
	var all []int
	for _, item := range items {
		n, ok := item.(int64)
		if !ok || n < least || n > most {
			t.bad(name, fmt.Sprintf("%v is not a whole number from %d to %d", item, least, most), fmt.Sprintf("write it as in %s = [2, 3]", name))
			return nil
		}
		all = append(all, int(n))
	}
	return all
}

// rangeOf says which values of a quantity make sense; the empty string means that v does.
type rangeOf func(v float64) string

// within allows what lies between two limits, which themselves are allowed.
func within(least, most float64, rule string) rangeOf {
	return func(v float64) string {
		if v >= least && v <= most {
			return ""
		}
		return rule
	}
}

// aboveZero is the least that is more than nothing.
const aboveZero = math.SmallestNonzeroFloat64

var (
	anyValue    = within(math.Inf(-1), math.Inf(1), "")
	positive    = within(aboveZero, math.Inf(1), "it must be more than zero")
	notNegative = within(0, math.Inf(1), "it cannot be negative")
	share       = within(aboveZero, 1, "it lies above 0 % and goes up to 100 %")
	upToAll     = within(0, 1, "it lies between 0 % and 100 %")
	plausiblePH = within(-1, 15, "pH lies between -1 and 15") // what a glass electrode can show in strong acid and base
	liquidWater = within(273.15, 373.15, "an aqueous bath lies between 0 °C and 100 °C")
	airOfARoom  = within(273.15, 333.15, "the air of a room lies between 0 °C and 60 °C")
)

// onABench refuses sizes that no cell, supply or room has, so that a slip of the exponent never becomes a plan. The limits, SI, leave
// room for the largest plant and the smallest sample.
func onABench(v quantity.Value) string {
	limits, ok := map[quantity.Dimension][2]float64{
		quantity.Mass: {1e-9, 1e6}, quantity.Volume: {1e-9, 1e5}, quantity.Current: {1e-9, 1e6}, quantity.Voltage: {1e-6, 1e4}, quantity.Charge: {1e-6, 1e13},
		quantity.Area: {1e-9, 1e5}, quantity.Length: {1e-9, 1e4}, quantity.MassConcentration: {1e-9, 2e4}, quantity.AmountConcentration: {1e-9, 1e5},
		quantity.Conductivity: {1e-6, 1e4}, quantity.Velocity: {1e-9, 1}, quantity.Resistance: {1e-9, 1e9}, quantity.VolumeFlow: {1e-12, 1e6},
		quantity.EnergyPerMass: {1e-3, 1e15},
	}[v.Dimension]
	switch size := math.Abs(v.SI); {
	case !ok || size == 0 || size >= limits[0] && size <= limits[1]:
		return ""
	case size > limits[1]:
		return "no cell has that much: look at the exponent and the unit"
	}
	return "no cell has that little: look at the exponent and the unit"
}

// measure returns a quantity in the SI unit of d, and fallback when none is written.
func (t *table) measure(name string, d quantity.Dimension, ok rangeOf, fallback float64) float64 {
	v := t.read(name, false, ok, d)
	if math.IsNaN(v.SI) {
		return fallback
	}
	return v.SI
}

// stated returns a quantity that may carry its uncertainty; SI is NaN when none is written.
func (t *table) stated(name string, ok rangeOf, dims ...quantity.Dimension) quantity.Value {
	return t.read(name, true, ok, dims...)
}

// figure is stated as a figure, which is not Known when none is written.
func (t *table) figure(name string, ok rangeOf, dims ...quantity.Dimension) matter.Figure {
	return Figure(t.stated(name, ok, dims...))
}

// unstated is a quantity that is not written.
func unstated() quantity.Value {
	return quantity.Value{SI: math.NaN(), PlusMinus: math.NaN()}
}

func (t *table) read(name string, uncertain bool, ok rangeOf, dims ...quantity.Dimension) quantity.Value {
	raw, found := t.raw(name)
	if !found {
		return unstated()
	}
	s, isText := raw.(string)
	if dims[0] == quantity.Number && kind(raw) == "a number" {
		s, isText = fmt.Sprint(raw), true
	}
	if !isText {
		t.bad(name, fmt.Sprintf("%s instead of %s", kind(raw), dims[0]), fmt.Sprintf("write number and unit in quotation marks: %s = \"%s\"", name, dims[0].Example()))
		return unstated()
	}
	v, err := quantity.ParseAny(s, dims...)
	if err == nil && !uncertain && !math.IsNaN(v.PlusMinus) {
		_, err = quantity.Parse(dims[0], s)
	}
	if err != nil {
		wrong, remedy, _ := strings.Cut(err.Error(), "; ")
		t.bad(name, wrong, remedy)
		return unstated()
	}
	if complaint := cmp.Or(ok(v.SI), onABench(v)); complaint != "" {
		t.bad(name, fmt.Sprintf("'%s' makes no sense here", s), complaint)
		return unstated()
	}
	return v
}

// longest is more than any duration in a configuration can mean: ten years.
const longest = 10 * 365 * 24 * time.Hour

// duration returns a time of at least least.
func (t *table) duration(name string, fallback, least time.Duration) time.Duration {
	s := t.measure(name, quantity.Time, func(v float64) string {
		switch {
		case v < least.Seconds():
			return "it is at least " + quantity.Format(quantity.Time, least.Seconds())
		case v > longest.Seconds():
			return "it is less than ten years"
		}
		return ""
	}, math.NaN())
	if math.IsNaN(s) {
		return fallback
	}
	return time.Duration(math.Round(s * 1e9))
}
