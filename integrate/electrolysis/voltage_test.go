package electrolysis

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
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
		near(t, row.name, a.Voltage.Value, row.best, row.slack)
		if a.Voltage.Mark != matter.Assumed {
			t.Errorf("%s: a band from memory is %v", row.name, a.Voltage.Mark)
		}
	}
}

func TestCellVoltageParts(t *testing.T) {
	a := Assessment{Conditions: Conditions{Anode: "lead", Gap: matter.GivenFigure(0.03, 0), Temperature: matter.GivenFigure(matter.RoomTemperature, 0)},
		Anode: []Reaction{{Gas: Oxygen}}, Floor: Floor{Expected: 2}, CathodeDensity: matter.GivenFigure(400, 0), AnodeDensity: matter.GivenFigure(400, 0)}
	a.Conditions.Metal, _ = matter.LookUp("Zn")
	voltage := func() (matter.Figure, []Component) {
		parts := a.voltageParts(band(20, 30, 40, matter.Given, ""), assumed(0.03, 0.1, 0.3, "usual"))
		return sum(parts), parts
	}
	total, parts := voltage()
	var best, low, high float64
	for _, p := range parts {
		best, low, high = best+p.Value, low+p.Low, high+p.High
		if p.Low > p.Value || p.Value > p.High || p.Mark == matter.Unmarked || p.Source == "" {
			t.Errorf("%+v: out of order or unmarked", p)
		}
	}
	near(t, "the parts add up", total.Value, best, 1e-12)
	if total.Low < low || total.High > high {
		t.Error("independent spreads must not add up worse than the worst")
	}
	a.Conditions.Separator = Diaphragm
	divided, _ := voltage()
	a.CathodeDensity.Value *= 2
	denser, _ := voltage()
	if divided.Value <= total.Value || denser.Value <= divided.Value {
		t.Error("a separator and a higher density must cost volts")
	}
	a.Conditions.SolubleAnode = true
	if soluble, _ := voltage(); soluble.Value >= denser.Value-2 {
		t.Error("a soluble anode must save the floor and the gas")
	}
	for _, gas := range []Gas{Oxygen, Chlorine} {
		for _, anode := range append(anodeMaterials(), "") {
			for _, density := range []float64{1, 10, 400, 1e4} {
				if b := anodeOverpotential(anode, gas, density, matter.RoomTemperature); b.Low < -1e-12 || b.Low > b.Value || b.Value > b.High {
					t.Errorf("%q, %v at %v A/m²: %+v", anode, gas, density, b)
				}
			}
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
		{"graphite", matter.Sulfate, 0, "Oxygen attacks"},
		{"coated titanium", matter.Fluoborate, 0, "Fluoride"},
		{"platinised titanium", matter.Sulfate, 0, "reverse"},
		{"stainless steel", matter.Sulfate, 0, "dissolves"},
		{"stainless steel", matter.Alkaline, 0, ""},
		{"graphite", matter.Chloride, 0, ""},
	} {
		got := anodeAdvice(row.material, row.medium, row.chloride)
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

// A warm bath conducts better: salts by about 2 % per kelvin, acid by about 1 % (common practice, no source: 1.5 to 2 % for baths of both); hydrogen and
// oxygen need less overpotential; copper in a refining bath moves 1.73 times as fast at 65 as at 40 °C (Hydrometallurgy 56 (2000) 255, abstract, 19.2 kJ/mol).
func TestWarmBath(t *testing.T) {
	for acid, low := range map[float64]float64{0: 0.018, 2000: 0.009} {
		cold, warm := assumedConductivity(matter.Sulfate, acid, matter.RoomTemperature), assumedConductivity(matter.Sulfate, acid, matter.RoomTemperature+10)
		if rise := (warm.Value/cold.Value - 1) / 10; rise < low || rise > low+0.006 {
			t.Errorf("with %g mol/m3 of acid the conductivity rises by %.4f per kelvin", acid, rise)
		}
	}
	if got := solution.Diffusion(0, 338.15) / solution.Diffusion(0, 313.15); math.Abs(got/1.73-1) > 0.2 {
		t.Errorf("copper moves %.2f times as fast", got)
	}
	if fall := (hydrogenOverpotential("zinc", 500, 298.15).Value - hydrogenOverpotential("zinc", 500, 318.15).Value) / 20; fall < 0.5e-3 || fall > 4e-3 {
		t.Errorf("hydrogen on zinc: %g V per kelvin", fall)
	}
	if cold, warm := anodeOverpotential("lead", Oxygen, 400, 298.15), anodeOverpotential("lead", Oxygen, 400, 318.15); !(warm.Value < cold.Value && warm.Value > cold.Value-0.1) {
		t.Errorf("oxygen on lead: %v, %v", cold, warm)
	}
}

// TestFiguresAreForTheTemperatureReached: whatever the cell, an unstated temperature is the one that the heat at that very temperature leads to at
// the end of the run, by the vessel's own loss; stating it gives the same figures, and a stated one is left as it is.
func TestFiguresAreForTheTemperatureReached(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		given := func(name string, low, high float64) matter.Figure {
			return matter.GivenFigure(math.Exp(rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, name)), 0)
		}
		metal, err := matter.LookUp(rapid.SampledFrom([]string{"Zn", "Cu", "Ni", "Pb", "Au"}).Draw(t, "metal"))
		if err != nil {
			t.Fatal(err)
		}
		c := Conditions{Metal: metal, Medium: matter.Chloride, Current: given("A", 0.1, 100), Charge: given("C", 1e2, 1e7), Efficiency: given("efficiency", 0.1, 1),
			CathodeArea: given("m2", 1e-3, 0.1), Concentration: given("mol/m3", 10, 3000), Volume: given("m3", 1e-4, 1e-2), Ambient: given("K", 278, 308)}
		a, err := Assess(c)
		if err != nil {
			t.Fatal(err)
		}
		temperature, ambient := a.Conditions.Temperature, c.Ambient.Value
		settles := a.Heat.Steady.Value
		want := ambient + (settles-ambient)*(1-math.Exp(-a.Duration.Value/a.Heat.TimeConstant.Value))
		if temperature.Mark != matter.Assumed || math.Abs(temperature.Value-want) > 2*warmEnough {
			t.Fatalf("reckoned at %.2f K, reaches %.2f K", temperature.Value, want)
		}
		c.Temperature = matter.GivenFigure(temperature.Value, 0)
		same, err := Assess(c)
		if err != nil || same.Voltage.Value != a.Voltage.Value || same.Liquid.End.Value != a.Liquid.End.Value || same.Heat.Power.Value != a.Heat.Power.Value || same.Conditions.Temperature.Value != temperature.Value {
			t.Fatalf("stated, it is another cell: %v, %v", same.Voltage, err)
		}
	})
	c := zincCell(t)
	c.Temperature = matter.GivenFigure(matter.RoomTemperature, 0)
	cold, err := Assess(c)
	if err != nil || cold.Conditions.Temperature != c.Temperature {
		t.Fatalf("%+v, %v", cold.Conditions.Temperature, err)
	}
	c.Temperature = matter.Figure{}
	warm, err := Assess(c)
	if got := warm.Conditions.Temperature.Value; err != nil || !(got > matter.RoomTemperature+1) || !(warm.Voltage.Value < cold.Voltage.Value) || !(warm.Heat.Steady.Value < cold.Heat.Steady.Value) {
		t.Errorf("at %.1f K %.2f V, at 25 °C %.2f V, %v", got, warm.Voltage.Value, cold.Voltage.Value, err)
	}
}

// A bath held warmer than its own heat keeps it needs the difference from a heater, and none where it settles above.
func TestHeater(t *testing.T) {
	c := zincCell(t)
	c.Temperature = matter.GivenFigure(338.15, 1)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	h := a.Heat
	vessel := vessel{Volume: c.Volume.Value + a.Conditions.Anolyte.Value, OpenArea: a.Conditions.OpenArea.Value}
	if want := vessel.HeatLoss(338.15, a.Conditions.Ambient.Value) - h.Power.Value; !h.Heater.Known() || math.Abs(h.Heater.Value-want) > 1e-9 || want < 10 {
		t.Errorf("%+v, want %g W", h.Heater, want)
	}
	if text := strings.Join(a.Cautions, "\n"); !strings.Contains(text, "use a heater of about") {
		t.Error(text)
	}
	c.Temperature = matter.GivenFigure(298.15, 1)
	if a, _ := Assess(c); a.Heat.Heater.Known() {
		t.Errorf("25 °C needs a heater of %g W", a.Heat.Heater.Value)
	}
}

func TestLeads(t *testing.T) {
	// Common practice, no source: 0.75 mm² 6 A, 1.0 10 A, 1.5 16 A, 2.5 20 A.
	for current, square := range map[float64]float64{3: 0.75, 6: 0.75, 8: 1, 16: 1.5, 20: 2.5} {
		lead := leadFor(current, 0.3, 0)
		near(t, "mm²", lead.CrossSection*1e6, square, 1e-9)
	}
	long := leadFor(10, 5, 0.25)
	if long.Drop > 0.25 || long.CrossSection <= 1e-6 {
		t.Errorf("5 m at 10 A and 0.25 V: %+v", long)
	}
	near(t, "heat of a lead is drop times current", long.Heat, long.Drop*10, 1e-12)
	for _, bad := range [][3]float64{{500, 1, 0}, {10, 100, 0.01}} {
		if lead := leadFor(bad[0], bad[1], bad[2]); lead != (Lead{}) {
			t.Errorf("%v: %+v", bad, lead)
		}
	}
	for current, clips := range map[float64]int{3: 1, 8: 2, 15: 3, 40: 0} {
		if got := clipFor(current); got.Clips != clips || got.Advice == "" {
			t.Errorf("%v A: %+v, want %d clips", current, got, clips)
		}
	}
}

// TestAcidBetweenThePlates: the acid that the bath conducts by is that of the middle of the run, whether the acid of the beginning is stated or follows
// from the pH; of a divided cell half of the way is anolyte, at pH 0 from the start. By hand: 0.88·Q/F mol in 1 L make 1 mol/L of 0.5 mol/L.
func TestAcidBetweenThePlates(t *testing.T) {
	c := zincCell(t)
	c.Separator, c.Volume, c.PH, c.Efficiency = NoSeparator, matter.GivenFigure(1e-3, 0), matter.Figure{}, matter.GivenFigure(0.88, 0)
	c.Charge = matter.GivenFigure(matter.Faraday/0.88, 0)
	c.FreeAcid = matter.GivenFigure(500, 0)
	near(t, "mol/m3, undivided", assessed(t, c).Conditions.FreeAcid.Value, 500+1000/2, 1e-6)
	c.FreeAcid, c.PH = matter.Figure{}, matter.GivenFigure(-math.Log10(0.5), 0)
	near(t, "mol/m3, by the pH", assessed(t, c).Conditions.FreeAcid.Value, 500+1000/2, 1e-6)
	c.Separator, c.Anolyte, c.AnolytePH = Diaphragm, matter.GivenFigure(1e-3, 0), matter.GivenFigure(0, 0)
	a := assessed(t, c)
	near(t, "mol/m3, divided", a.Conditions.FreeAcid.Value, (500-a.Acid.Catholyte.Value*500+1000+a.Acid.Anolyte.Value*500)/2, 1e-6)
}
