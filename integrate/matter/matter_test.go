package matter

import (
	"math"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// TestConstants compares with CODATA 2018 and 2022 (NIST), all printed digits.
func TestConstants(t *testing.T) {
	for _, test := range []struct {
		name      string
		got, want float64
		relative  float64
	}{
		{"Faraday constant, C/mol", Faraday, 96485.3321233100184, 1e-15},
		{"molar gas constant, J/(mol K)", GasConstant, 8.31446261815324, 1e-15},
		{"elementary charge, C", ElementaryCharge, 1.602176634e-19, 0},
		{"Avogadro constant, 1/mol", Avogadro, 6.02214076e23, 0},
		{"molar volume, 273.15 K, 101.325 kPa, m3/mol", MolarVolume(273.15, 101325), 22.41396954e-3, 1e-9},
		{"molar volume, 273.15 K, 100 kPa, m3/mol", MolarVolume(273.15, 1e5), 22.71095464e-3, 1e-9},
	} {
		if math.Abs(test.got-test.want) > test.relative*test.want {
			t.Errorf("%s: %.16g, want %.16g", test.name, test.got, test.want)
		}
	}
}

// TestWeights compares with CIAAW 2021, value and printed uncertainty.
func TestWeights(t *testing.T) {
	data, err := os.ReadFile("testdata/ciaaw_2021.csv")
	if err != nil {
		t.Fatal(err)
	}
	rows := 0
	for line := range strings.Lines(string(data)) {
		symbol, printed, ok := strings.Cut(strings.TrimSpace(line), ",")
		if !ok || strings.HasPrefix(line, "#") {
			continue
		}
		rows++
		value, half := parsePrinted(t, printed)
		e, ok := LookUpElement(symbol)
		if !ok {
			t.Errorf("%s is missing", symbol)
			continue
		}
		if math.Abs(e.Weight.Value-value*1e-3) > 1e-15 {
			t.Errorf("%s: %g kg/mol, CIAAW prints %s g/mol", symbol, e.Weight.Value, printed)
		}
		if want := half * 1e-3 / math.Sqrt(3); math.Abs(e.Weight.StandardUncertainty-want) > 1e-6*want {
			t.Errorf("%s: standard uncertainty %g, want %g from %s", symbol, e.Weight.StandardUncertainty, want, printed)
		}
	}
	if rows != 39 {
		t.Errorf("%d rows read, want 39", rows)
	}
}

// parsePrinted reads 1.0080(2) or 207.2(1.1).
func parsePrinted(t *testing.T, printed string) (value, half float64) {
	t.Helper()
	number, digits, _ := strings.Cut(strings.TrimSuffix(printed, ")"), "(")
	value, err := strconv.ParseFloat(number, 64)
	if err != nil {
		t.Fatal(err)
	}
	half, err = strconv.ParseFloat(digits, 64)
	if err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(digits, ".") {
		_, decimals, _ := strings.Cut(number, ".")
		half *= math.Pow(10, -float64(len(decimals)))
	}
	return value, half
}

func TestElementsAreComplete(t *testing.T) {
	seen := map[int]bool{}
	for symbol, e := range elements() {
		if symbol != e.Symbol || e.Name == "" || seen[e.Number] {
			t.Errorf("row %+v is out of order", e)
		}
		seen[e.Number] = true
	}
	for number := 1; number <= 92; number++ {
		if !seen[number] {
			t.Errorf("element %d is missing", number)
		}
	}
}

// TestPotentials compares with OpenStax Chemistry 2e, Appendix L.
func TestPotentials(t *testing.T) {
	for _, test := range []struct {
		symbol string
		medium Medium
		volts  float64
	}{
		{"Ag", Nitrate, 0.7996}, {"Ag", Cyanide, -0.31}, {"Cu", Sulfate, 0.337}, {"Cu", Cyanide, -0.43},
		{"Zn", Sulfate, -0.7618}, {"Zn", Alkaline, -1.199}, {"Zn", Cyanide, -1.26}, {"Ni", Sulfate, -0.257},
		{"Co", Sulfate, -0.28}, {"Mn", Sulfate, -1.185}, {"Cd", Sulfate, -0.4030}, {"Cd", Cyanide, -1.09},
		{"Sn", Sulfate, -0.1375}, {"Pb", Fluoborate, -0.1262}, {"Fe", Sulfate, -0.447}, {"Cr", Sulfate, -0.744},
		{"In", Chloride, -0.3382}, {"Ga", Sulfate, -0.549}, {"Au", Nitrate, 1.498}, {"Te", Chloride, 0.593},
		{"Pd", Chloride, 0.591}, {"Pd", Ammine, 0.987},
	} {
		m, err := LookUp(test.symbol)
		if err != nil {
			t.Fatal(err)
		}
		c, err := m.Couple(test.medium, 0)
		if err != nil || c.Potential.Value != test.volts {
			t.Errorf("%s in %s: %g V (%s), %v; Appendix L prints %g V", test.symbol, test.medium, c.Potential.Value, c.Reaction, err, test.volts)
		}
	}
}

// TestEquivalents compares with the only equivalent that was ever a definition; tables of them are computed from the same
// weights and constants as ours and would check nothing.
func TestEquivalents(t *testing.T) {
	silver, err := LookUp("Ag")
	if err != nil {
		t.Fatal(err)
	}
	// Act of the U.S. Congress of 12 July 1894: the ampere deposits 0.001118 g of silver a second, 22 ppm above today's.
	if got := silver.Equivalent(1).Value * 1e3; math.Abs(got/0.001118-1) > 3e-5 { // outside: act-1894 section 1
		t.Errorf("silver: %.7g g/C, by the Act 0.001118", got)
	}
}

// TestTableIsWhole holds every row to what a plan needs of it.
func TestTableIsWhole(t *testing.T) {
	if _, err := ReadTable(metalsTOML, settleMetals); err != nil {
		t.Fatal(err)
	}
	names := map[string]bool{}
	for _, m := range Metals() {
		s := m.Element.Symbol
		names[s] = true
		if !m.Density.Known() || m.Density.Value < 1000 || m.Density.Value > 23000 || m.Density.Source == "" {
			t.Errorf("%s: density %+v", s, m.Density)
		}
		if len(m.Couples) == 0 || !m.Interrupt.Tolerance.Known() || m.Depletion.Mark == Unmarked || m.Depletion.Why == "" || m.Interrupt.Why == "" {
			t.Errorf("%s: couples, interruption or depletion missing", s)
		}
		if m.Store.Text == "" || m.Store.Mark == Unmarked || m.Store.Source == "" {
			t.Errorf("%s: nothing says how it is stored", s)
		}
		for _, c := range m.Couples {
			if c.Valence < 1 || c.Reaction == "" || !c.Potential.Known() {
				t.Errorf("%s: couple %+v", s, c)
			}
		}
		for _, medium := range append(Media(), "") {
			stop := m.Stop(medium)
			if stop.State != Off && stop.State != Hold && stop.State != LiftThenOff || stop.Why == "" || stop.Mark == Unmarked {
				t.Errorf("%s in %q: safe state %+v", s, medium, stop)
			}
			if stop.Unattended != Off && stop.Unattended != Hold {
				t.Errorf("%s in %q: nobody can lift a cathode unattended: %+v", s, medium, stop)
			}
		}
		if f := m.Fading; f.Why != "" && (len(f.Media) == 0 || !(f.Beyond > 0 && f.Beyond < 1) || f.Mark == Unmarked) || f.Why == "" && f.Media != nil {
			t.Errorf("%s: fade %+v", s, f)
		}
		for _, w := range m.Windows {
			for name, r := range map[string]Range{"density": w.CurrentDensity, "temperature": w.Temperature, "pH": w.PH, "cell": w.CellVoltage, "efficiency": w.Efficiency, "concentration": w.Concentration} {
				if r.Known() && (r.Low > r.High || r.Source == "") {
					t.Errorf("%s: %s %+v", s, name, r)
				}
			}
			if w.Efficiency.Known() && (w.Efficiency.Low <= 0 || w.Efficiency.High > 1) {
				t.Errorf("%s: efficiency %+v", s, w.Efficiency)
			}
		}
	}
	for _, s := range strings.Fields("Ag Au Bi Cd Co Cr Cu Fe In Mn Ni Pb Pd Sn Tl Zn") {
		if !names[s] {
			t.Errorf("%s is missing from the table", s)
		}
	}
}

// TestNobodyLiftsAtFullCurrent: breaking a live circuit at the surface of the bath
// sparks in hydrogen (common practice, no source), so the words for it come in the safe order.
func TestNobodyLiftsAtFullCurrent(t *testing.T) {
	words := LiftThenOff.Words()
	at := -1
	for _, part := range []string{"fan", "face shield", "down to the hold current", "lift the cathode out slowly", "then switch off"} {
		next := strings.Index(words, part)
		if next <= at {
			t.Errorf("%q stands at %d in %q", part, next, words)
		}
		at = next
	}
	for _, m := range Metals() {
		for _, stop := range m.Stops {
			if strings.Contains(stop.Why, "under current") || strings.Contains(stop.Why, "current on") {
				t.Errorf("%s: %q", m, stop.Why)
			}
		}
	}
	if Off.Words() == Hold.Words() {
		t.Error("off and hold are the same words")
	}
}

// TestFade: zinc in acid and manganese lose efficiency with the bath; copper and alkaline zinc are not said to.
func TestFade(t *testing.T) {
	for name, test := range map[string]struct {
		medium Medium
		want   bool
	}{"Zn": {Sulfate, true}, "Mn": {Sulfate, true}, "Cu": {Sulfate, false}, "zinc": {Alkaline, false}} {
		m, err := LookUp(name)
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := m.Fade(test.medium); ok != test.want {
			t.Errorf("%s in %s: fades %v", name, test.medium, ok)
		}
	}
}

// TestCautionsTellNoSingleRun: grams or ampere-hours without a source are one run's. Why a manganese cell is to be divided
// needs a source that a reader can find.
func TestCautionsTellNoSingleRun(t *testing.T) {
	figure := regexp.MustCompile(`\d\s*(k?g|mg|A·h|C)\b`)
	read := 0
	for _, m := range Metals() {
		for _, c := range m.Cautions {
			read++
			divide := m.Element.Symbol == "Mn" && strings.Contains(c.Text, "divide the cell")
			if c.Mark != Published && (divide || figure.MatchString(c.Text)) {
				t.Errorf("%s: %q (%s)", m, c.Text, c.Source)
			}
		}
	}
	if read < 20 {
		t.Errorf("only %d cautions read", read)
	}
}

func TestLookUpSentences(t *testing.T) {
	for name, word := range map[string]string{"zn": "written Zn", "Xx": "no such metal", "Al": "not in the table of metals", "potassium": "not in the table"} {
		if _, err := LookUp(name); err == nil || !strings.Contains(err.Error(), word) {
			t.Errorf("LookUp(%q): %v, want %q", name, err, word)
		}
	}
	if m, err := LookUp("Zinc"); err != nil || m.String() != "Zn" {
		t.Errorf("LookUp(Zinc): %v, %v", m, err)
	}
	zinc, _ := LookUp("Zn")
	if _, err := zinc.Couple(Sulfate, 3); err == nil || !strings.Contains(err.Error(), "valence 2") {
		t.Errorf("zinc(III): %v", err)
	}
}

func TestMediumOf(t *testing.T) {
	for formula, medium := range map[string]Medium{
		"ZnSO4·7H2O": Sulfate, "ZnCl2": Chloride, "AgNO3": Nitrate, "KAu(CN)2": Cyanide, "Ni(NH2SO3)2": Sulfamate, "Ni(SO3NH2)2": Sulfamate,
		"Pb(CH3SO3)2": Methanesulfonate, "Pb(BF4)2": Fluoborate, "ZnO": "", "CrO3": Chromic, "K2Cr2O7": Chromic, "Na2[Zn(OH)4]": Alkaline, "K2SnO3·3H2O": Alkaline, "NaOH": Alkaline, "KOH": Alkaline, "NaH2PO4": "", "Na2CO3·10H2O": "", "H2O2": "", "[Zn(NH3)4]Cl2": Ammine, "Cu(NH3)4SO4": Ammine, "KMnO4": "", "CuCO3·Cu(OH)2": "", "Ni(NO3)2·6H2O": Nitrate,
	} {
		f, err := ParseFormula(formula)
		if err != nil {
			t.Fatal(err)
		}
		if f.Medium() != medium {
			t.Errorf("%s: medium %q, want %q", formula, f.Medium(), medium)
		}
	}
}

func TestBrokenTables(t *testing.T) {
	for name, text := range map[string]string{
		"source": "[[metal]]\nsymbol=\"Zn\"\ndensity=[1,\"nowhere\"]",
		"number": "[source]\nmemory={mark=\"assumed\"}\n[[metal]]\nsymbol=\"Zn\"\ndensity=[\"x\",\"memory\"]",
		"length": "[source]\nmemory={mark=\"assumed\"}\n[[metal]]\nsymbol=\"Zn\"\ndensity=[1,2,\"memory\"]",
		"symbol": "[[metal]]\nsymbol=\"Xx\"",
		"key":    "[[metal]]\nweight=1",
		"medium": "[[metal]]\nsymbol=\"Zn\"\n[[metal.stop]]\nmedia=[\"beer\"]",
	} {
		if _, err := ReadTable(text, settleMetals); err == nil {
			t.Errorf("%s: a broken table was taken", name)
		}
	}
}

// TestNoComplexOfAnotherMedium: a stated valence gets no potential of a complex that the medium does not make.
func TestNoComplexOfAnotherMedium(t *testing.T) {
	tin, err := LookUp("Sn")
	if err != nil {
		t.Fatal(err)
	}
	if c, err := tin.Couple(Alkaline, 4); err != nil || c.Ligand != "hydroxide" {
		t.Errorf("stannate: %+v, %v", c, err)
	}
	if c, err := tin.Couple("", 4); err != nil || c.Valence != 4 {
		t.Errorf("medium unknown: %+v, %v", c, err)
	}
	if c, err := tin.Couple(Chloride, 4); err == nil || err.Error() != "tin with valence 4 is in the table of metals for alkaline alone, not for chloride" {
		t.Errorf("tin(IV) in chloride: %+v, %v", c, err)
	}
	copper, err := LookUp("Cu")
	if err != nil {
		t.Fatal(err)
	}
	for valence, want := range map[int]string{0: "Cu2+ + 2e = Cu", 1: "[CuCl2]- + e = Cu + 2Cl-"} {
		if c, err := copper.Couple(Chloride, valence); err != nil || c.Reaction != want {
			t.Errorf("copper, valence %d: %s, %v", valence, c.Reaction, err)
		}
	}
}

// TestOxidesAtTheAnode: an oxide holds its metal in the state that its electrons lead to from the ion of the bath, by the rules for
// oxygen (-2) and hydrogen (+1), and has a share for both kinds of cell, the divided one no larger.
func TestOxidesAtTheAnode(t *testing.T) {
	found := map[string]bool{}
	for _, m := range Metals() {
		for _, o := range m.Oxides {
			found[m.String()] = true
			f, err := ParseFormula(o.Formula)
			if err != nil || f.Count(m.String()) == 0 {
				t.Fatalf("%s: %s: %v", m, o.Formula, err)
			}
			state := (2*f.Count("O") - f.Count("H")) / f.Count(m.String())
			couple, err := m.Couple("", 0)
			if err != nil || state != float64(couple.Valence+o.Electrons) {
				t.Errorf("%s stands at %+g in %s, %d electrons above %+d: %v", m, state, o.Formula, o.Electrons, couple.Valence, err)
			}
			for _, r := range []Range{o.Undivided, o.Divided} {
				if !r.Known() || r.Low < 0 || r.High > 1 || r.High < r.Low || r.High > o.Undivided.High {
					t.Errorf("%s: %+v", m, r)
				}
			}
		}
	}
	if len(found) != 5 { // lead, manganese, cobalt, silver, thallium
		t.Errorf("%v", found)
	}
	onLead, _ := mustMetal(t, "Mn").Oxide(Sulfate, "lead")
	if onLead.Undivided.High != 0.21 || onLead.Undivided.Mark != Published {
		t.Errorf("%+v", onLead.Undivided)
	}
	if other, _ := mustMetal(t, "Mn").Oxide(Sulfate, "graphite"); other.Undivided.Mark != Assumed {
		t.Errorf("%+v", other.Undivided)
	}
}

func mustMetal(t *testing.T, name string) Metal {
	m, err := LookUp(name)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// What formulas.toml names are media and elements, and every row says by what it is found.
func TestFormulasNameWhatThereIs(t *testing.T) {
	var atoms []string
	for _, row := range formulas().Medium {
		if !row.Name.Known() || row.Text == nil && row.Atoms == nil {
			t.Errorf("%+v", row)
		}
		atoms = append(atoms, slices.Concat(row.Atoms, row.Without)...)
	}
	for _, row := range formulas().State {
		if row.Of == nil || row.State != math.Trunc(row.State) || math.Abs(row.State) > 6 {
			t.Errorf("%+v", row)
		}
		atoms = append(atoms, slices.Concat(row.Of, row.Atoms, row.Without)...)
	}
	for _, symbol := range atoms {
		if _, ok := LookUpElement(symbol); !ok {
			t.Errorf("no element %q", symbol)
		}
	}
}
