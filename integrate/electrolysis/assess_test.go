package electrolysis

import (
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

func zincCell(t testing.TB) Conditions {
	t.Helper()
	zinc, err := matter.LookUp("Zn")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	return Conditions{
		Metal: zinc, Medium: matter.Sulfate,
		Current: given(3, 0.01), Charge: given(26*ampereHour, 0.8*ampereHour), Efficiency: given(0.88, 0.03),
		CathodeArea: given(60e-4, 1e-4), Cathode: "aluminium", Anode: "lead", Separator: Diaphragm,
		Concentration: given(63.2/65.38e-3, 10), FinalConcentration: given(145, 5),
		Volume: given(0.9e-3, 1.35e-5), RoomVolume: given(20, 1), Price: given(0.3, 0),
	}
}

func TestAssessZinc(t *testing.T) {
	a, err := Assess(zincCell(t))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "A/m²", a.CathodeDensity.Value, 500, 1e-9)
	near(t, "density's uncertainty, quadrature of 0.333 % and 1.667 %", a.CathodeDensity.StandardUncertainty, 500*math.Hypot(0.01/3, 1/60.0), 1e-9)
	near(t, "duration, s", a.Duration.Value, 26*ampereHour/3, 1e-6)
	// The mean activity coefficient of 1 mol/kg ZnSO4 is 0.0438 (May, Rowland, Hefter, Königsberger, J. Chem. Eng. Data 2011, doi 10.1021/je2009329).
	near(t, "zinc's potential, Nernst by hand with the published activity", a.Plating.Metal.Value, -0.7618+0.025693/2*math.Log(63.2/65.38*0.0438), 0.02) // outside: may-2011 ZnSO4 at 1 mol/kg
	near(t, "gap, V", a.Plating.Gap.Value, a.Plating.Hydrogen.Value-a.Plating.Metal.Value, 1e-12)
	if !strings.HasPrefix(a.Plating.Verdict, "Yes") {
		t.Errorf("zinc plates from an acid sulfate: %s", a.Plating.Verdict)
	}
	// 3 A, EN 50272-3 and the litres per ampere-hour at 20 °C.
	near(t, "battery-room air, m³/h", 3600*a.Air.BatteryRoom.Value, 0.15, 1e-9)
	near(t, "hydrogen worst case, L/h", 3.6e6*a.Gas[0].Worst.Value, 3*0.448765, 1e-5)
	near(t, "hydrogen at 88 %, L/h", 3.6e6*a.Gas[0].Rate.Value, 0.12*3*0.448765, 1e-5)
	near(t, "hydrogen in all, L", 1e3*a.Gas[0].Total.Value, 0.12*26*0.448765, 1e-5)
	near(t, "oxygen, L/h", 3.6e6*a.Gas[1].Rate.Value, 3*0.224382, 1e-5)
	near(t, "closed 20 m³ room to 1 %, h", a.Air.HydrogenTime.Value/3600, 0.2/(3*0.448765e-3), 0.01)
	near(t, "acid over both sides, mol", a.Acid.Bath.Value, 26*0.03731137*0.88, 1e-5)
	near(t, "water split, g", 1e3*a.Water.Split.Value, 26*0.336, 0.02)
	near(t, "energy is volts times charge", a.Energy.Total.Value, a.Voltage.Value*26*ampereHour, 1e-6)
	near(t, "cost", a.Energy.Cost.Value, a.Energy.Total.Value/3.6e6*0.3, 1e-12)
	for _, c := range append(a.Dangers, a.Cautions...) {
		if strings.Contains(c, "Chlorine") {
			t.Errorf("no chlorine in a sulfate bath: %s", c)
		}
	}
}

func TestAssessMeasuredVoltsAndChloride(t *testing.T) {
	c := zincCell(t)
	c.Medium, c.Separator, c.Anode = matter.Chloride, Diaphragm, "graphite"
	c.Chloride = matter.GivenFigure(2000, 50)
	c.CellVolts = matter.Figure{Value: 4, StandardUncertainty: 0.02, Mark: matter.Measured}
	c.Airflow = matter.GivenFigure(100.0/3600, 0.003)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "chlorine, L/h", 3.6e6*a.Gas[1].Worst.Value, 3*0.448765, 1e-5)
	near(t, "steady chlorine, ppm", 1e6*a.Air.ChlorineSteady.Value, 3*0.448765/100*1e3, 0.01)
	if !a.Gas[2].Possible || a.Gas[2].Gas != Oxygen {
		t.Errorf("oxygen must be possible beside chlorine: %+v", a.Gas)
	}
	if a.Air.ChlorineTime.Value >= a.Air.HydrogenTime.Value {
		t.Error("chlorine must be the first to matter")
	}
	if !strings.Contains(strings.Join(a.Dangers, "\n"), "Fume hood") {
		t.Error("no word of the fume hood")
	}
	if a.Energy.Total.Mark != matter.Given {
		t.Errorf("measured volts times given charge is given, not %v", a.Energy.Total.Mark)
	}
	if a.Acid.Anolyte.High > 0 {
		t.Error("a chlorine anode makes no acid")
	}
}

func TestAssessStatedConductivity(t *testing.T) {
	c := zincCell(t)
	loose, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	c.Conductivity = matter.Figure{Value: 30, StandardUncertainty: 0.5, Mark: matter.Measured}
	tight, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	if tight.Voltage.High-tight.Voltage.Low >= loose.Voltage.High-loose.Voltage.Low {
		t.Error("a measured conductivity must narrow the band")
	}
}

// A trace of chloride can make only so much chlorine: 1 mol/m³ in 0.9 L is 0.45 mmol.
func TestChlorineIsBoundByChloride(t *testing.T) {
	c := zincCell(t)
	c.Separator, c.Chloride = NoSeparator, matter.GivenFigure(20, 1)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	chlorine := a.Gas[len(a.Gas)-1]
	if chlorine.Gas != Chlorine || !chlorine.Possible {
		t.Fatalf("chlorine must be possible: %+v", a.Gas)
	}
	near(t, "L of chlorine, by the stock", 1e3*chlorine.Most.Value, 20*0.9e-3/2*24.055, 1e-4)
	c.RoomVolume = matter.GivenFigure(1000, 1)
	if a, err = Assess(c); err != nil || !math.IsInf(a.Air.ChlorineTime.Value, 1) {
		t.Errorf("0.2 L never bring 1000 m³ to 0.5 ppm: %+v, %v", a.Air.ChlorineTime, err)
	}
}

// Common practice: nickel is won from ammonia at pH 10 to 11 (Minerals Engineering 19 (2006) 1246),
// where the hydroxide of the plain ion says nothing.
func TestAmmineBath(t *testing.T) {
	c := zincCell(t)
	nickel, err := matter.LookUp("Ni")
	if err != nil {
		t.Fatal(err)
	}
	c.Metal, c.Medium, c.PH = nickel, matter.Ammine, matter.GivenFigure(10.5, 0.1)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	if a.Plating.HydroxidePH.Known() || a.Plating.Metal.Mark != matter.Assumed {
		t.Errorf("the plain ion does not speak for an ammine: %+v", a.Plating)
	}
}

// Whatever comes in that is not refused: no NaN, no unmarked figure among those that are
// always there, and no figure better marked than the entries it rests on.
func TestAssessEverything(t *testing.T) {
	media := matter.Media()
	metals := matter.Metals()
	rapid.Check(t, func(t *rapid.T) {
		given := func(name string, low, high float64) matter.Figure {
			return matter.GivenFigure(math.Exp(rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, name)), 0)
		}
		c := Conditions{
			Metal: rapid.SampledFrom(metals).Draw(t, "metal"), Medium: rapid.SampledFrom(media).Draw(t, "medium"),
			Current: given("current", 0.01, 200), Charge: given("charge", 1, 1e7), Efficiency: given("efficiency", 0.01, 1),
			CathodeArea: given("area", 1e-4, 2), Concentration: given("concentration", 0.01, 4000), Volume: given("volume", 1e-5, 1),
			Separator:    rapid.SampledFrom([]Separator{"", NoSeparator, Diaphragm, CationMembrane, AnionMembrane}).Draw(t, "separator"),
			Anode:        rapid.SampledFrom(append(anodeMaterials(), "")).Draw(t, "anode"),
			SolubleAnode: rapid.Bool().Draw(t, "soluble"),
		}
		if rapid.Bool().Draw(t, "more") {
			c.RoomVolume, c.Airflow, c.Chloride = given("room", 0.1, 500), given("air", 1e-6, 1), given("chloride", 0.1, 4000)
			c.Temperature, c.PH = given("temperature", 274, 372), matter.GivenFigure(rapid.Float64Range(-1, 14).Draw(t, "pH"), 0.1)
		}
		a, err := Assess(c)
		if err != nil {
			t.Fatal(err)
		}
		noNaN(t, "assessment", reflect.ValueOf(a))
		for name, f := range map[string]matter.Figure{
			"hydrogen": a.Gas[0].Worst, "air": a.Air.Needed, "bath acid": a.Acid.Bath, "water": a.Water.Split, "heat": a.Heat.Power,
			"steady": a.Heat.Steady, "energy": a.Energy.Total, "metal": a.Plating.Metal, "gap": a.Plating.Gap, "density": a.CathodeDensity,
		} {
			if !f.Known() || f.Mark < matter.Given || f.Source == "" {
				t.Fatalf("%s is not marked: %+v", name, f)
			}
		}
		if a.Gas[0].Rate.Value > a.Gas[0].Worst.Value || a.Air.Needed.Value < a.Air.BatteryRoom.Value {
			t.Fatal("the worst case must be the worst")
		}
		if a.Voltage.Low > a.Voltage.Value || a.Voltage.Value > a.Voltage.High || len(a.Dangers) == 0 {
			t.Fatalf("voltage band %+v, %d dangers", a.Voltage, len(a.Dangers))
		}
		if a.Floor.Any > a.Floor.Metal+1e-12 {
			t.Fatalf("any current cannot need more than the metal: %+v", a.Floor)
		}
	})
}

// noNaN fails on a NaN anywhere in v but in the potential of a reaction that is not tabled.
func noNaN(t *rapid.T, path string, v reflect.Value) {
	switch v.Kind() {
	case reflect.Float64:
		if math.IsNaN(v.Float()) && !strings.HasSuffix(path, ".Potential") {
			t.Fatalf("%s is NaN", path)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			noNaN(t, path+"."+v.Type().Field(i).Name, v.Field(i))
		}
	case reflect.Slice:
		for i := range v.Len() {
			noNaN(t, path, v.Index(i))
		}
	}
}

func TestAssessMistakes(t *testing.T) {
	_, err := Assess(Conditions{})
	if err == nil {
		t.Fatal("no error")
	}
	for _, want := range []string{"metal is missing", "current is missing", "charge is missing", "cathode area is missing", "concentration is missing", "volume is missing", "efficiency is missing", `medium "" is unknown`} {
		if !strings.Contains(err.Error(), want) {
			t.Errorf("the error does not say %q:\n%v", want, err)
		}
	}
	given := func(v float64) matter.Figure { return matter.GivenFigure(v, 0) }
	for want, spoil := range map[string]func(*Conditions){
		"no more than 100 %": func(c *Conditions) { c.Efficiency = given(1.2) },
		"cathode area is 0":  func(c *Conditions) { c.CathodeArea = given(0) },
		"current is NaN":     func(c *Conditions) { c.Current = given(math.NaN()) },
		"charge is +Inf":     func(c *Conditions) { c.Charge = given(math.Inf(1)) },
		"bath temperature is -248.1 °C: it must lie between 0 and 100 °C": func(c *Conditions) { c.Temperature = given(25) },
		"room temperature is -253.1 °C":                                   func(c *Conditions) { c.Ambient = given(20) },
		"pH is 20: it must":                                               func(c *Conditions) { c.PH = given(20) },
		"separator \"wall\"":                                              func(c *Conditions) { c.Separator = "wall" },
		"valence 7 is not in":                                             func(c *Conditions) { c.Valence = 7 },
		"medium \"soup\"":                                                 func(c *Conditions) { c.Medium = "soup" },
	} {
		c := zincCell(t)
		spoil(&c)
		if _, err := Assess(c); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
}

// The cautions that a person must not miss come when they are due.
func TestCautionsWhenDue(t *testing.T) {
	given := func(v float64) matter.Figure { return matter.GivenFigure(v, 0) }
	for want, change := range map[string]func(*Conditions){
		"reaches 1 % hydrogen":                    func(c *Conditions) { c.RoomVolume = given(0.5) },
		"Hydroxide precipitates":                  func(c *Conditions) { c.PH = given(6) },
		"less current":                            func(c *Conditions) { c.Current = given(200) },
		"Do not run this cell at const":           func(c *Conditions) { c.Current = given(20) },
		"The acid of the anode stays in the bath": func(c *Conditions) { c.Separator, c.PH = NoSeparator, given(4) },
		"reaches the cathode":                     func(c *Conditions) { c.Medium, c.Separator = matter.Chloride, NoSeparator },
		"Acid crosses the separator":              func(c *Conditions) { c.Separator, c.PH = CationMembrane, given(3) },
		"heats itself":                            func(c *Conditions) { c.Current = given(5) },
		"Use constant current":                    func(c *Conditions) { c.Current = given(7) },
		"expect sludge":                           func(c *Conditions) { c.PH = given(6.5) },
		"The level may fall":                      func(c *Conditions) { c.Temperature = given(340) },
		"busbar":                                  func(c *Conditions) { c.Current = given(400) },
		"Lead dissolves in chl":                   func(c *Conditions) { c.Medium = matter.Chloride },
		"Only if you raise the pH as far as the bath allows, add much metal": func(c *Conditions) { c.Metal, _ = matter.LookUp("Cr"); c.PH = given(-1); c.Concentration = given(1) },
	} {
		c := zincCell(t)
		change(&c)
		a, err := Assess(c)
		if err != nil {
			t.Fatal(err)
		}
		dangers, cautions := strings.Join(a.Dangers, "\n"), strings.Join(a.Cautions, "\n")
		if danger := slices.Contains([]string{"reaches 1 % hydrogen", "less current", "Do not run this cell at const"}, want); strings.Contains(dangers, want) != danger || strings.Contains(cautions, want) == danger {
			t.Errorf("%q is not told, or not as the danger that it is or is not:\n%s\n\n%s", want, dangers, cautions)
		}
	}
}

func BenchmarkAssess(b *testing.B) {
	c := zincCell(b)
	for b.Loop() {
		if _, err := Assess(c); err != nil {
			b.Fatal(err)
		}
	}
}
