package electrolysis

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"
)

// Operating voltages must fall into the expected band of a cell built as the plants are; gap 30 mm, common practice. A
// voltage worked back from an energy would check the energy's own formula.
func TestOperatingVoltages(t *testing.T) {
	given := func(v float64) matter.Figure { return matter.GivenFigure(v, 0) }
	for _, row := range []struct {
		name                   string
		metal                  string
		grams, acid, celsius   float64 // g/L of metal and of sulfuric acid
		density                float64
		anode                  string
		low, high, best, slack float64 // V printed; best must lie within slack of their middle
	}{
		{"zinc, common practice, no source, 50–70 g/L Zn, 150–200 g/L acid, 30–40 °C, 3.3–3.5 V", "Zn", 60, 175, 35, 500, "lead-silver", 3.3, 3.5, 3.4, 0.25},
		{"copper, BCcampus Hydrometallurgy, 300 A/m², 2.05 V; acid and temperature from general texts", "Cu", 42, 175, 47, 300, "lead", 2.05, 2.05, 2.05, 0.25}, // outside: bccampus chapter VII
		{"copper, general texts from memory, 1.9–2.1 V", "Cu", 42, 175, 47, 300, "lead", 1.9, 2.1, 2.0, 0.25},
	} {
		metal, err := matter.LookUp(row.metal)
		if err != nil {
			t.Fatal(err)
		}
		const area, volume = 0.01, 2e-3
		a, err := Assess(Conditions{
			Metal: metal, Medium: matter.Sulfate, Current: given(row.density * area), Charge: given(1e4), Efficiency: given(0.92),
			CathodeArea: given(area), Volume: given(volume), Anode: row.anode, PH: given(0), Temperature: given(row.celsius + 273.15),
			Concentration: given(row.grams / metal.Element.Weight.Value), FreeAcid: given(2 * row.acid / matter.MolarMassH2SO4),
		})
		if err != nil {
			t.Fatalf("%s: %v", row.name, err)
		}
		if a.Voltage.Low > row.low || a.Voltage.High < row.high {
			t.Errorf("%s: band %.2f to %.2f V", row.name, a.Voltage.Low, a.Voltage.High)
		}
		near(t, row.name, a.Voltage.Best, row.best, row.slack)
		if a.Voltage.Mark != matter.Assumed {
			t.Errorf("%s: a band from memory is %v", row.name, a.Voltage.Mark)
		}
	}
}

func TestCellVoltageParts(t *testing.T) {
	c := VoltageConditions{
		Metal: "Zn", Reversible: 2, Anode: "lead", Gas: Oxygen, CathodeDensity: 400, AnodeDensity: 400, Gap: 0.03,
		Conductivity: Band{20, 30, 40, matter.Given, ""},
	}
	total, parts, err := CellVoltage(c)
	if err != nil {
		t.Fatal(err)
	}
	var best, low, high float64
	for _, p := range parts {
		best, low, high = best+p.Best, low+p.Low, high+p.High
		if p.Low > p.Best || p.Best > p.High || p.Mark == matter.Unmarked || p.Source == "" {
			t.Errorf("%+v: out of order or unmarked", p)
		}
	}
	near(t, "the parts add up", total.Best, best, 1e-12)
	if total.Low < low || total.High > high {
		t.Error("independent spreads must not add up worse than the worst")
	}
	c.Separator = Diaphragm
	divided, _, _ := CellVoltage(c)
	c.CathodeDensity *= 2
	denser, _, _ := CellVoltage(c)
	if divided.Best <= total.Best || denser.Best <= divided.Best {
		t.Error("a separator and a higher density must cost volts")
	}
	c.SolubleAnode, c.Reversible = true, 0
	if soluble, _, _ := CellVoltage(c); soluble.Best >= denser.Best-2 {
		t.Error("a soluble anode must save the floor and the gas")
	}
	for _, gas := range []Gas{Oxygen, Chlorine} {
		for _, anode := range append(AnodeMaterials(), "") {
			for _, density := range []float64{1, 10, 400, 1e4} {
				if b := anodeOverpotential(anode, gas, density, 0); b.Low < -1e-12 || b.Low > b.Best || b.Best > b.High {
					t.Errorf("%q, %v at %v A/m²: %+v", anode, gas, density, b)
				}
			}
		}
	}
}

func TestCellVoltageMistakes(t *testing.T) {
	sound := VoltageConditions{Metal: "Zn", Reversible: 2, Gas: Oxygen, CathodeDensity: 400, AnodeDensity: 400, Gap: 0.03, Conductivity: Band{20, 30, 40, matter.Given, ""}}
	for want, spoil := range map[string]func(*VoltageConditions){
		"above zero":              func(c *VoltageConditions) { c.CathodeDensity = 0 },
		"must not be negative":    func(c *VoltageConditions) { c.Gap = -1 },
		"conductivity above zero": func(c *VoltageConditions) { c.Conductivity = Band{} },
		"not a number":            func(c *VoltageConditions) { c.Reversible = math.NaN() },
	} {
		c := sound
		spoil(&c)
		if _, _, err := CellVoltage(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
}

// Common practice, no source.
func TestAnodeAdvice(t *testing.T) {
	for _, row := range []struct {
		material string
		medium   matter.Medium
		chloride float64
		want     string
	}{
		{"lead", matter.Chloride, 0, "dissolves"},
		{"lead-silver", matter.Sulfate, 300, "dissolves"},
		{"lead", matter.Sulfate, 0, "dioxide"},
		{"graphite", matter.Sulfate, 0, "eaten"},
		{"coated titanium", matter.Fluoborate, 0, "Fluoride"},
		{"platinised titanium", matter.Sulfate, 0, "reverse"},
		{"stainless steel", matter.Sulfate, 0, "dissolves"},
		{"stainless steel", matter.Alkaline, 0, ""},
		{"graphite", matter.Chloride, 0, ""},
	} {
		got := AnodeAdvice(row.material, row.medium, row.chloride)
		if (row.want == "") != (got == "") || !strings.Contains(got, row.want) {
			t.Errorf("%s in %s: %q, want %q", row.material, row.medium, got, row.want)
		}
	}
}

// TestDissolves: an anode of the metal and of nothing else dissolves.
func TestDissolves(t *testing.T) {
	for words, metals := range map[string]string{"copper": "Cu", "Copper plate": "Cu", "zinc": "Zn", "Zn sheet": "Zn", "cast lead": "Pb", "nickel (rolled)": "Ni"} {
		if !Dissolves(words, metals) {
			t.Errorf("%s in a bath of %s does not", words, metals)
		}
	}
	for words, metals := range map[string]string{"lead": "Zn", "lead dioxide": "Pb", "lead-silver": "Ag", "": "Zn", "sheet": "Zn", "platinum": "Pt", "coated titanium": "Cu", "zn": "Zn"} {
		if Dissolves(words, metals) {
			t.Errorf("%s in a bath of %s does", words, metals)
		}
	}
}
