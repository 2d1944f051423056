package electrolysis

import (
	"math"
	"strings"
	"testing"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Complexes shift the potential at the start. Published: OpenStax Chemistry 2e, Appendix L (V): Ag(NH3)2+ +0.373, Zn(NH3)4 2+ -1.04,
// Cd(NH3)4 2+ -0.61 (Harris, App. H: -0.613), Ni(NH3)6 2+ -0.49 (-0.515 by the constants of thermo.com V8); Bard: Cd(CN)4 2- -0.943; from NIST 46 constants: Ag(CN)2- -0.412,
// Cu(CN)2- -0.775. All forms at 1 mol/L ideally; here 0.1 mol/L of complex beside 1 mol/L of free ligand, so that the complex counts (RT/nF)·ln 0.1 less.
func TestLigandsShiftTheStart(t *testing.T) {
	for _, c := range []struct {
		metal   string
		valence int
		medium  matter.Medium
		ligand  solution.Component
		each    float64
		pH      float64
		want    float64
		tol     float64
	}{
		{"Ag", 1, matter.Ammine, "NH3", 2, 12, 0.373, 0.03}, // outside: chemistry-2e Appendix L
		{"Zn", 2, matter.Ammine, "NH3", 4, 11.5, -1.02, 0.03},
		{"Cd", 2, matter.Ammine, "NH3", 4, 11.5, -0.61, 0.03}, // outside: chemistry-2e Appendix L
		{"Ni", 2, matter.Ammine, "NH3", 6, 11.5, -0.515, 0.04},
		{"Cd", 2, matter.Cyanide, "CN-", 4, 12, -0.943, 0.06}, // outside: bard P1
		{"Ag", 1, matter.Cyanide, "CN-", 2, 12, -0.412, 0.1},
	} {
		metal, err := matter.LookUp(c.metal)
		if err != nil {
			t.Fatal(err)
		}
		cell := zincCell(t)
		ion, ok := solution.Ion(c.metal, float64(c.valence))
		if !ok {
			t.Fatal(c.metal)
		}
		cell.Metal, cell.Medium, cell.PH, cell.Valence = metal, c.medium, matter.GivenFigure(c.pH, 0.1), c.valence
		cell.Concentration = matter.GivenFigure(100, 0)
		cell.FinalConcentration = matter.GivenFigure(99, 0)
		cell.Dissolved = solution.Totals{ion: 100, c.ligand: 1000 + 100*c.each}
		a, err := Assess(cell)
		if err != nil {
			t.Fatal(err)
		}
		atOne := a.Plating.Metal.Value + 0.025693/float64(c.valence)*math.Log(10)
		near(t, c.metal+" in "+string(c.medium)+", V", atOne, c.want, c.tol)
		if a.Plating.Metal.Mark == matter.Assumed || strings.Contains(a.Plating.Metal.Source, "plain ion,") {
			t.Errorf("%s: %+v", c.metal, a.Plating.Metal)
		}
	}
}

// Zinc in caustic: OpenStax Chemistry 2e prints -1.199 V for Zn(OH)4 2-/Zn, Bard -1.285; the constants of NIST 46 give -1.22 at 1 mol/L of hydroxide.
func TestZincateByConstants(t *testing.T) {
	c := zincCell(t)
	c.Medium, c.PH = matter.Alkaline, matter.GivenFigure(14, 0)
	c.Concentration, c.FinalConcentration = matter.GivenFigure(100, 0), matter.GivenFigure(50, 0)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "zincate, V", a.Plating.Metal.Value+0.0296, -1.24, 0.05)
	if a.Plating.HydroxidePH.Known() {
		t.Error("in caustic zinc is held, and no onset of hydroxide is told")
	}
}

func nickelCell(t testing.TB, pH float64) Conditions {
	t.Helper()
	nickel, err := matter.LookUp("Ni")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	return Conditions{Metal: nickel, Medium: matter.Sulfate, Current: given(2, 0), Charge: given(20*ampereHour, 0), Efficiency: given(0.95, 0.01),
		CathodeArea: given(1e-2, 0), Concentration: given(1000, 0), FinalConcentration: given(650, 0), Volume: given(1e-3, 0), PH: given(pH, 0.1)}
}

// Common practice: an undivided nickel bath without a buffer turns acid, and from below pH 2 on hydrogen takes the current; behind a
// separator it does so less. Zinc, whose surface lets hydrogen off hardly at all, keeps most of its efficiency in the same acid.
func TestEfficiencyFallsWithThePH(t *testing.T) {
	a, err := Assess(nickelCell(t, 4))
	if err != nil {
		t.Fatal(err)
	}
	if e := a.Plating.EfficiencyAtEnd; !(e.Value < 0.6) || !(e.Low <= e.Value && e.Value <= e.High) {
		t.Errorf("nickel at pH %.2f keeps %+v", a.Liquid.End.Value, e)
	}
	if !(a.Liquid.IfDivided.Value > a.Liquid.End.Value+0.2) {
		t.Errorf("divided pH %v, undivided %v", a.Liquid.IfDivided, a.Liquid.End)
	}
	if text := strings.Join(a.Cautions, "\n"); !strings.Contains(text, "Divided by a diaphragm") {
		t.Errorf("nothing compares undivided with divided:\n%s", text)
	}
	zinc := zincCell(t)
	zinc.Separator, zinc.PH, zinc.Charge = "", matter.GivenFigure(4, 0.1), matter.GivenFigure(40*ampereHour, 0)
	z, err := Assess(zinc)
	if err != nil {
		t.Fatal(err)
	}
	if e := z.Plating.EfficiencyAtEnd; !(e.Value > 0.8) {
		t.Errorf("zinc at pH %.2f keeps %+v", z.Liquid.End.Value, e)
	}
	if !(a.Plating.HydrogenAtEnd.Value > a.Plating.Hydrogen.Value) || !(a.Plating.MarginAtEnd.Value < a.Plating.Margin.Value) {
		t.Error("more acid makes hydrogen the easier")
	}
}

// TestEfficiencyAtTheEndPH: of nickel, cobalt, iron and cadmium in the same undivided sulfate bath each loses efficiency as the pH falls, by as
// much as its own surface lets hydrogen off: the iron group nearly all of it near pH 1, from which they are not won, cadmium, which is won from
// strong acid, hardly any (common practice, no source). More charge costs more of it.
func TestEfficiencyAtTheEndPH(t *testing.T) {
	for symbol, want := range map[string][3]float64{ // kept after 20 A·h: least, most; lost after 3 A·h at the most
		"Ni": {-0.5, 0.6, 0.2}, "Co": {-0.5, 0.6, 0.2}, "Fe": {-0.5, 0.8, 0.2}, "Cd": {0.94, 0.95, 0.01},
	} {
		c := nickelCell(t, 4)
		metal, err := matter.LookUp(symbol)
		if err != nil {
			t.Fatal(err)
		}
		c.Metal = metal
		kept := func(hours float64) (e matter.Figure, pH float64) {
			c.Charge = matter.GivenFigure(hours*ampereHour, 0)
			a := assessed(t, c)
			return a.Plating.EfficiencyAtEnd, a.Liquid.End.Value
		}
		early, _ := kept(3)
		late, pH := kept(20)
		t.Logf("%s: %.4f after 3 A·h, %.4f (%.2f to %.2f) after 20 A·h at pH %.2f", symbol, early.Value, late.Value, late.Low, late.High, pH)
		if late.Value < want[0] || late.Value > want[1] || early.Value < 0.95-want[2] || !(late.Value < early.Value && early.Value < 0.95) || !(late.Low <= late.Value && late.Value <= late.High) {
			t.Errorf("%s keeps %+v at pH %.2f, %+v before", symbol, late, pH, early)
		}
	}
}

// TestVerdictsAreOneSentence: two conditions are one Only if, a Yes adds nothing to it, and what is to be done is said once.
func TestVerdictsAreOneSentence(t *testing.T) {
	const raise, low = "Only if you raise the pH: the gap is small.", "Only if you buffer the bath: else the efficiency may be low."
	for _, c := range [][3]string{
		{"Only if you purify it: else little is won.", raise, "Only if you purify it, and raise the pH: else little is won, and the gap is small."},
		{low, "Only if you divide the cell, or buffer the bath: at the end hydrogen takes all.", "Only if you buffer the bath: else the efficiency may be low, and at the end hydrogen takes all."},
		{low, "Yes: it is nobler. At the end, at pH 1: On paper: it is.", low + " At the end, at pH 1: On paper: it is."},
		{low, "Yes: it is nobler.", low}, {"Yes: it is nobler.", raise, raise}, {"On paper: it is.", "At the end: it is.", "On paper: it is. At the end: it is."}, {low, "", low},
	} {
		if got := Both(c[0], c[1]); got != c[2] {
			t.Errorf("%q and %q are %q", c[0], c[1], got)
		}
	}
}

// Without acid from an anode base gathers: hydroxide falls after some charge, and the course says after how much.
func TestHydroxideFallsAfter(t *testing.T) {
	c := nickelCell(t, 5)
	c.SolubleAnode, c.Efficiency = true, matter.GivenFigure(0.8, 0)
	a, err := Assess(c)
	if err != nil {
		t.Fatal(err)
	}
	l := a.Liquid
	if !(l.FallsAfter > 0 && l.FallsAfter <= c.Charge.Value) || !(l.End.Value > 5) || len(l.Course) != courseSteps+1 {
		t.Errorf("%+v", l)
	}
}

// TestVerdictOfTheEnd: nickel whose bath turns acid by its own anode (an undivided cell without a buffer, common practice, no
// source) plates only if something is done, and that stands first.
func TestVerdictOfTheEnd(t *testing.T) {
	cell := zincCell(t)
	nickel, err := matter.LookUp("Ni")
	if err != nil {
		t.Fatal(err)
	}
	cell.Metal, cell.Separator, cell.PH = nickel, NoSeparator, matter.GivenFigure(3.5, 0.1)
	cell.Concentration, cell.FinalConcentration = matter.GivenFigure(950, 0), matter.GivenFigure(475, 0)
	cell.Efficiency = matter.GivenFigure(0.7, 0)
	cell.Charge = matter.GivenFigure(475*cell.Volume.Value*2*matter.Faraday/0.7, 0)
	a, err := Assess(cell)
	if err != nil {
		t.Fatal(err)
	}
	if v := a.Plating.Verdict; !strings.HasPrefix(v, "Only if you divide the cell, buffer the bath, or stop sooner") {
		t.Errorf("undivided, from %.1f to %.1f: %q", cell.PH.Value, a.Liquid.End.Value, v)
	}
}

// TestVerdictOfADoubtfulEnd: where the lowest efficiency of the end is less than half of the lowest stated, or hydroxide falls at the likeliest
// pH, no verdict is a plain yes. What is followed over the run lies between its ends.
func TestVerdictOfADoubtfulEnd(t *testing.T) {
	c := nickelCell(t, 4)
	c.Charge = matter.GivenFigure(6*ampereHour, 0)
	a := assessed(t, c)
	p := a.Plating
	if !(p.EfficiencyAtEnd.Value > 0.95/2 && p.EfficiencyAtEnd.Low < 0.93/2) || !strings.HasPrefix(p.Verdict, "Only if you divide the cell") || !strings.Contains(p.Verdict, "at pH down to ") {
		t.Errorf("%+v: %q", p.EfficiencyAtEnd, p.Verdict)
	}
	if l := p.Lowest; !(l.Value > p.EfficiencyAtEnd.Low && l.Value < 0.93) {
		t.Errorf("%+v over the run, %+v at its end", l, p.EfficiencyAtEnd)
	}
	c = nickelCell(t, 5)
	c.SolubleAnode, c.Efficiency = true, matter.GivenFigure(0.8, 0)
	if v := assessed(t, c).Plating.Verdict; !strings.HasPrefix(v, "Only if you keep the pH below") || !strings.Contains(v, "has fallen out") {
		t.Errorf("%q", v)
	}
}

// Common practice, no source: low-pH nickel baths near pH 2 still win some nine tenths of the current; near pH 1 most is lost to hydrogen
// or soon will be.
func TestNickelAtLowPH(t *testing.T) {
	at := func(hours float64) (pH, kept float64) {
		c := nickelCell(t, 4)
		c.Charge = matter.GivenFigure(hours*ampereHour, 0)
		a := assessed(t, c)
		return a.Liquid.End.Value, a.Plating.EfficiencyAtEnd.Value
	}
	for _, row := range [][3]float64{{3, 0.82, 0.95}, {20, 0, 0.7}} {
		if pH, kept := at(row[0]); kept < row[1] || kept > row[2] {
			t.Errorf("nickel keeps %.2f at pH %.2f", kept, pH)
		} else {
			t.Logf("%.2f at pH %.2f", kept, pH)
		}
	}
}

// Gold from cyanide at an efficiency of a few percent: the start is no plain yes, and an end that plates on paper does not turn it into one.
func TestAnEndThatPlatesAddsNothing(t *testing.T) {
	gold, err := matter.LookUp("Au")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	a, err := Assess(Conditions{Metal: gold, Medium: matter.Cyanide, Current: given(0.5, 0), Charge: given(4.5*3600, 0), Efficiency: given(0.055, 0.02),
		CathodeArea: given(1e-2, 0), Concentration: given(10, 0), FinalConcentration: given(1, 0), Volume: given(1e-3, 0)})
	if err != nil {
		t.Fatal(err)
	}
	if v := a.Plating.Verdict; strings.Contains(v, "Yes") {
		t.Errorf("%q", v)
	}
}

// TestHydrogenCyanide: half of the free cyanide is the gas at its pKa, 9.21, and a run that leads there says so among its dangers; one that
// stays above pH 11 does not.
func TestHydrogenCyanide(t *testing.T) {
	near(t, "share at the pKa", protonated(9.21, acidOfCyanide), 0.5, 1e-12)
	silver, err := matter.LookUp("Ag")
	if err != nil {
		t.Fatal(err)
	}
	given := matter.GivenFigure
	for pH, told := range map[float64]bool{10.5: true, 13: false} {
		a := assessed(t, Conditions{Metal: silver, Medium: matter.Cyanide, Current: given(0.5, 0), Charge: given(1800, 0), Efficiency: given(0.95, 0.01), PH: given(pH, 0.05),
			CathodeArea: given(1e-2, 0), Concentration: given(200, 0), Ligand: given(500, 0), Volume: given(1e-3, 0)})
		if said := strings.Contains(strings.Join(a.Dangers, " "), "hydrogen cyanide, a deadly gas"); said != told {
			t.Errorf("pH %g to %+v: %q", pH, a.Liquid.End, a.Dangers)
		}
	}
}

// TestNothingPlatesFromHydroxide: copper sulfate at pH 12 without a ligand holds no copper worth the name (Cu(OH)2, NIST 46 by
// references of the tables); at pH 3 it plates.
func TestNothingPlatesFromHydroxide(t *testing.T) {
	for pH, want := range map[float64]string{12: "Only if you lower the pH from 12.0", 3: "Yes"} {
		c := cellOf(t, "Cu", matter.Sulfate, 600)
		c.PH = matter.GivenFigure(pH, 0.1)
		if v := assessed(t, c).Plating.Verdict; !strings.HasPrefix(v, want) {
			t.Errorf("pH %g: %s", pH, v)
		}
	}
}

// TestAFallingHydroxideHoldsThePH: nickel sulfate before a nickel anode, whose current efficiency at the cathode is below one, turns alkaline
// until Ni(OH)2 falls. From there its solubility product holds the pH: nine tenths fallen raise it by half a unit (z = 2), not to 9.
func TestAFallingHydroxideHoldsThePH(t *testing.T) {
	c := cellOf(t, "Ni", matter.Sulfate, 900)
	c.PH, c.SolubleAnode, c.Anode, c.Efficiency = matter.GivenFigure(4, 0.1), true, "nickel", matter.GivenFigure(0.9, 0.01)
	c.Charge = matter.GivenFigure(20*3600, 0)
	a := assessed(t, c)
	l := a.Liquid
	if math.IsInf(l.FallsAfter, 1) || !(l.End.Value > l.FallsAt.Low && l.End.Value < l.FallsAt.Value+0.5) || !strings.Contains(a.Plating.Verdict, "has fallen out") {
		t.Errorf("it falls after %g C, from %+v; the end is %+v: %s", l.FallsAfter, l.FallsAt, l.End, a.Plating.Verdict)
	}
	near(t, "rise at a tenth left", a.heldByHydroxide(0.9*2*900, 900).Value-l.FallsAt.Value, 0.5, 1e-12)
	if held := a.heldByHydroxide(2*900, 900).Low; !math.IsInf(held, 1) {
		t.Errorf("without metal it holds pH %g", held)
	}
}

// TestAmmoniaOfAnAmmoniumBath: half of the ammonium is ammonia at its pKa, 9.244, a tenth at 8.29, and a bath that comes there says so. At pH 7
// there is 0.6 %, and none is told; nor in cyanide, which has its own danger, or without ammonium.
func TestAmmoniaOfAnAmmoniumBath(t *testing.T) {
	near(t, "share at the pKa", protonated(9.244, acidOfAmmonia), 0.5, 1e-12)
	near(t, "share at pH 7, by hand", 1-protonated(7, acidOfAmmonia), 0.00567, 1e-5)
	for _, test := range []struct {
		pH       float64
		ammonium bool
		told     bool
	}{{8.8, true, true}, {8.8, false, false}, {4, true, false}} {
		c := zincCell(t)
		c.Metal, _ = matter.LookUp("Mn")
		c.PH, c.Ammonium, c.Separator = matter.GivenFigure(test.pH, 0.05), test.ammonium, NoSeparator
		c.Dissolved = map[solution.Component]float64{"NH3": 2000, "SO4-2": 2000, solution.H: 2000, "Mn+2": c.Concentration.Value}
		a := assessed(t, c)
		if said := strings.Contains(strings.Join(a.Dangers, " "), "is ammonia, a poisonous gas"); said != test.told {
			t.Errorf("%+v, to %+v: %q", test, a.Liquid.End, a.Dangers)
		}
	}
}

// TestWhatToDoAboutAcid: nobody is told to neutralize cyanide, which would set hydrogen cyanide free, or to keep a level across a
// membrane, through which no liquid flows.
func TestWhatToDoAboutAcid(t *testing.T) {
	silver, _ := matter.LookUp("Ag")
	for want, change := range map[string]func(*Conditions){
		"neutralize or bleed": func(c *Conditions) { c.Separator = NoSeparator },
		"dose alkali, never acid": func(c *Conditions) {
			c.Metal, c.Medium, c.Separator = silver, matter.Cyanide, NoSeparator
			c.PH = matter.GivenFigure(12, 0.1)
		},
		"keep the catholyte level":   func(c *Conditions) { c.Separator = Diaphragm },
		"during the run, and neutra": func(c *Conditions) { c.Separator = CationMembrane },
	} {
		c := zincCell(t)
		c.PH = matter.GivenFigure(4, 0.1)
		change(&c)
		a := assessed(t, c)
		said := ""
		for _, text := range a.Cautions {
			if strings.Contains(text, "Check the pH during the run, and ") {
				said = text
			}
		}
		if !strings.Contains(said, want) {
			t.Errorf("%q is not in %q", want, said)
		}
	}
}
