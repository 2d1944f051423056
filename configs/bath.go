package configs

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
)

// Bath is what the operator states of the liquid. In a divided cell it is the
// catholyte. Values that are not stated have a NaN SI.
type Bath struct {
	Metal   string // element symbol
	Medium  string // the anion or kind of the bath, such as "sulfate"; empty: not stated
	Volume  quantity.Value
	Salts   []Salt
	Content quantity.Value // concentration of the metal; its Dimension tells mass from amount
	Mass    quantity.Value // of the metal

	PH           quantity.Value
	Kelvin       quantity.Value // temperature
	Acid         quantity.Value // concentration of free acid, mass or amount
	Conductivity quantity.Value // S/m
	OpenArea     float64        // m2, of the surface that evaporates; NaN when not stated
	Anolyte      Anolyte
}

// Anolyte is the liquid on the other side of a divided cell.
type Anolyte struct {
	Volume quantity.Value
	PH     quantity.Value
	Acid   quantity.Value
}

// Salt is one addition of a salt of the metal.
type Salt struct {
	Formula string
	Mass    quantity.Value
	Assay   quantity.Value // share of the mass that is the formula
}

var concentrations = []quantity.Dimension{quantity.MassConcentration, quantity.AmountConcentration}

func readBath(t *table) *Bath {
	b := &Bath{
		Metal:        t.required("metal", "Zn"),
		Medium:       t.text("medium", ""),
		Volume:       t.stated("volume", positive, quantity.Volume),
		Content:      t.stated("concentration", positive, concentrations...),
		Mass:         t.stated("metal_mass", positive, quantity.Mass),
		PH:           t.stated("ph", plausiblePH, quantity.Number),
		Kelvin:       otherwise(t.stated("temperature", liquidWater, quantity.Temperature), defaultTemperature),
		Acid:         t.stated("acid", notNegative, concentrations...),
		Conductivity: t.stated("conductivity", positive, quantity.Conductivity),
		OpenArea:     t.measure("open_area", quantity.Area, positive, math.NaN()),
	}
	for _, row := range t.list("salts") {
		b.Salts = append(b.Salts, Salt{
			Formula: row.required("formula", "ZnSO4·7H2O"),
			Mass:    row.needed("mass", quantity.Mass),
			Assay:   otherwise(row.stated("assay", share, quantity.Fraction), defaultAssay),
		})
		row.done()
	}
	if a := t.sub("anolyte"); a != nil {
		b.Anolyte = Anolyte{a.stated("volume", positive, quantity.Volume), a.stated("ph", plausiblePH, quantity.Number), a.stated("acid", notNegative, concentrations...)}
		a.done()
	} else {
		b.Anolyte = Anolyte{unstated(), unstated(), unstated()}
	}
	if !t.has("volume") {
		t.bad("volume", "it is missing", `write volume = "0.9 L"; in a divided cell, that of the catholyte`)
	}
	t.exactlyOne("metal in the bath", "salts", "concentration", "metal_mass")
	t.done()
	return b
}

// needed is a positive quantity that must be written.
func (t *table) needed(name string, d quantity.Dimension) quantity.Value {
	if !t.has(name) {
		t.find(name)
		t.bad(name, "it is missing", fmt.Sprintf("write %s = %q", name, d.Example()))
	}
	return t.stated(name, positive, d)
}

// exactlyOne complains unless one of the keys is written. what says of what they are the ways.
func (t *table) exactlyOne(what string, keys ...string) string {
	var given []string
	for _, k := range keys {
		if t.has(k) {
			given = append(given, k)
		}
	}
	switch len(given) {
	case 1:
		return given[0]
	case 0:
		t.bad("", "nothing states the "+what, "write one of "+strings.Join(keys, ", "))
		return ""
	}
	t.bad(given[1], "the "+what+" is stated more than once: "+strings.Join(given, ", "), "keep one of them")
	return ""
}

// plausiblePH allows what a glass electrode can show in strong acid and base.
func plausiblePH(v float64) string {
	if v >= -1 && v <= 15 {
		return ""
	}
	return "pH lies between -1 and 15"
}

// liquidWater allows the temperatures of an aqueous bath, freezing-point depression included.
func liquidWater(kelvin float64) string {
	if kelvin >= 253.15 && kelvin <= 393.15 {
		return ""
	}
	return "an aqueous bath lies between -20 °C and 120 °C"
}
