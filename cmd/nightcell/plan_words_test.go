package main

import (
	"math"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"nightcell/daemon/report"
	"nightcell/integrate/matter"
)

// flat is what plan printed, on one line with single blanks, so that wrapping does not matter.
func flat(t *testing.T, args ...string) string {
	t.Helper()
	return strings.Join(strings.Fields(planOutput(t, args...)), " ")
}

// brief is the first screen of a plan, likewise.
func brief(t *testing.T, args ...string) string {
	t.Helper()
	out, err := runPlanCommand(args...)
	if err != nil {
		t.Fatalf("plan %q: %v", args, err)
	}
	return strings.Join(strings.Fields(out), " ")
}

func wants(t *testing.T, out string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if !strings.Contains(out, text) {
			t.Errorf("%q is not printed", text)
		}
	}
}

func wantsNot(t *testing.T, out string, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if strings.Contains(out, text) {
			t.Errorf("%q is printed", text)
		}
	}
}

// nickelChloride is a bath whose anode makes chlorine, and no acid.
func nickelChloride(more ...string) []string {
	return append([]string{"--salt", "NiCl2·6H2O", "--salt-mass", "240 g", "--volume", "1 L", "--recover", "50 %", "--efficiency", "95 %",
		"--current", "2.5 A", "--cathode-area", "1 dm2"}, more...)
}

// TestPlanEndsSafely: nobody is told to break a live circuit at the surface of the bath.
func TestPlanEndsSafely(t *testing.T) {
	out := flat(t, zincPlan()...)
	wants(t, out, "To end the run, have the fan on and a face shield on, turn the current down to the hold current (about 0.30 A, assumed: a tenth)",
		"lift the cathode out slowly, then switch off: zinc", "With nobody there, hold a low current until somebody comes.", "Never lift the cathode at the working current: it sparks, in hydrogen.")
	wantsNot(t, out, "lift the cathode out under current", "lift it under current", "lift it out before switching off")
	wants(t, flat(t, "--config", "../../configs/hold-at-target.toml"), "turn the current down to the hold current (0.200 A, given)")
	wants(t, flat(t, copperPlan()...), "To end the run, switch off: copper redissolves only slowly")
}

// TestPlanGivesTheBand: the voltage of the answer is the band, or the stated one; both are told apart in the tables.
func TestPlanGivesTheBand(t *testing.T) {
	object := planObject(t, zincPlan()...)
	out := brief(t, zincPlan()...)
	band := regexp.MustCompile(`cell voltage ([0-9.]+) \(([0-9.]+) to ([0-9.]+)\) V a energy ([0-9.]+) ± ([0-9.]+) kWh`).FindStringSubmatch(out)
	if band == nil {
		t.Fatalf("no band in %q", out)
	}
	for i, key := range []string{"expected_volts", "expected_low_volts", "expected_high_volts"} {
		if got, want := number(t, band[i+1]), object[key].(float64); math.Abs(got-want) > 0.1 {
			t.Errorf("%s: %g in the answer, %g in JSON", key, got, want)
		}
	}
	stated := zincPlan("--cell-voltage", "3.3 V ± 0.1 V")
	wants(t, brief(t, stated...), "cell voltage 3.30 ± 0.12 V g")
	wants(t, flat(t, stated...), "stated at the cell 3.30 ± 0.12 V g")
	compared := planObject(t, append(stated, "--compare", "2 A", "--compare", "80 cm2")...)
	for _, one := range compared["compared"].([]any) {
		if v, there := one.(map[string]any)["cell_volts"]; there {
			t.Errorf("%v takes over the %v V measured at another current", one.(map[string]any)["compared"], v)
		}
	}
	if compared["cell_volts"] != 3.3 {
		t.Errorf("the plan's own voltage is %v", compared["cell_volts"])
	}
	wants(t, flat(t, append(stated, "--compare", "2 A")...), "3.30 stated", "expected")
	if _, err := runPlanCommand(copperPlan("--marginal-energy", "5 kWh/kg", "--leave", "", "--cell-voltage", "2.2 V", "--compare", "2 A")...); err == nil {
		t.Error("two targets were taken")
	}
	if _, err := runPlanCommand(copperMarginal("--compare", "2 A")...); err == nil || !strings.Contains(err.Error(), "a marginal-energy target needs the cell voltage at that current") {
		t.Errorf("a marginal stop at another current: %v", err)
	}
}

func copperMarginal(more ...string) []string {
	return append([]string{"--metal", "Cu", "--medium", "sulfate", "--concentration", "40 g/L", "--volume", "2 L", "--marginal-energy", "5 kWh/kg",
		"--efficiency", "95 %", "--mass-transfer", "1e-5 m/s", "--current", "4 A", "--cathode-area", "2 dm2", "--cell-voltage", "2.2 V"}, more...)
}

// TestPlanSaysTheWish: the target line is what was asked for, with no doubt of the outcome.
func TestPlanSaysTheWish(t *testing.T) {
	for words, args := range map[string][]string{
		"Target: deplete to 2.00 g/L charge to pass": copperPlan(),
		"Target: deplete to 0.0500 mol/L":            copperPlan("--leave", "0.05 mol/L"),
		"Target: recover 85.0 %":                     zincPlan(),
		"next gram costs more than 5.00 kWh/kg":      copperMarginal(),
	} {
		wants(t, flat(t, args...), words)
	}
}

// TestPlanTellsFloorsApart: chlorine is expected, oxygen would be easier; each voltage says which it is.
func TestPlanTellsFloorsApart(t *testing.T) {
	object, out := planObject(t, nickelChloride()...), flat(t, nickelChloride()...)
	floor, expected := object["floor_volts"].(float64), object["reversible_expected_volts"].(float64)
	if floor >= expected {
		t.Errorf("floor %g V, expected %g V", floor, expected)
	}
	wants(t, out, "with the easiest anode reaction, oxygen from water", "reversible voltage, expected reaction", "against chlorine from chloride")
	wantsNot(t, out, "thermodynamic floor", "turns acid overnight", "g as HCl")
	// (1 − 0.95) of the charge leaves base: 50 % of 240 g × 58.693/237.69 → 29.6 g; × 0.9133 A·h/g ÷ 0.95 = 28.5 A·h; × 5 % ÷ 26.80 A·h/mol = 0.0532 mol.
	wants(t, out, "base net in the bath 0.053", "g as NaOH")
	// The floor rests on an assumed pH, so it is no published figure.
	if marks := object["marks"].(map[string]any); marks["floor_volts"] != "assumed" {
		t.Errorf("the floor is %v", marks["floor_volts"])
	}
}

// TestPlanWordsAcid: what is gained is named, so that no negative base or acid is printed.
func TestPlanWordsAcid(t *testing.T) {
	negative := regexp.MustCompile(`(acid|base|alkali)[a-z ]* -[0-9.]+ `)
	for name, test := range map[string]struct {
		args  []string
		words []string
	}{
		"divided sulfate": {zincPlan("--separator", "diaphragm"), []string{"acid net in the bath", "acid in the anolyte", "acid in the catholyte", "g as H2SO4; below zero is base"}},
		"alkaline": {[]string{"--salt", "Na2[Zn(OH)4]", "--salt-mass", "80 g", "--volume", "1 L", "--recover", "50 %", "--efficiency", "97 %", "--current", "5 A", "--cathode-area", "50 cm2"},
			[]string{"alkali made net in the bath", "g as NaOH"}},
		"chloride": {nickelChloride(), []string{"base net in the bath"}},
	} {
		out := flat(t, test.args...)
		wants(t, out, test.words...)
		if found := negative.FindString(out); found != "" {
			t.Errorf("%s: %q", name, found)
		}
	}
}

// TestPlanJSONNamesAcid: in JSON too the key says what is gained, and its figure is above zero. In a
// divided zinc bath with 20 g of acid in the catholyte no base is told.
func TestPlanJSONNamesAcid(t *testing.T) {
	for name, test := range map[string]struct {
		args []string
		keys []string
	}{
		"divided":  {zincPlan("--separator", "diaphragm"), []string{"acid_moles", "anolyte_acid_grams", "catholyte_acid_moles", "catholyte_acid_grams"}},
		"chloride": {nickelChloride(), []string{"base_moles", "base_grams"}},
	} {
		object := planObject(t, test.args...)
		for _, key := range test.keys {
			if v, ok := object[key].(float64); !ok || v <= 0 {
				t.Errorf("%s: %s is %v", name, key, object[key])
			}
		}
		if _, there := object["catholyte_base_grams"]; there {
			t.Errorf("%s: base is told where acid is gained", name)
		}
	}
}

// TestPlanHydrogenTowardsTheEnd: a two-stage run makes more hydrogen at its end than on average: (1 − marginal)·I,
// with 2 g/L of copper left 70 % of 4 A × 0.448765 L/A·h.
func TestPlanHydrogenTowardsTheEnd(t *testing.T) {
	object, out := planObject(t, copperPlan()...), flat(t, copperPlan()...)
	atEnd, average := object["hydrogen_at_end_litres_per_hour"].(float64), object["hydrogen_expected_litres_per_hour"].(float64)
	if want := (1 - object["marginal_efficiency_ratio"].(float64)) * 4 * 0.448765; math.Abs(atEnd/want-1) > 1e-5 || atEnd < 4*average {
		t.Errorf("%g L/h at the end, by hand %g; on average %g", atEnd, want, average)
	}
	wants(t, out, "hydrogen, average", "hydrogen, at the end 1.25 L/h")
	wants(t, flat(t, zincPlan()...), "hydrogen, expected")
	wantsNot(t, flat(t, zincPlan()...), "L/h g hydrogen, at the end", "hydrogen, average")
}

// TestPlanGuessesAreDoubted: a guessed area or current is in doubt by the window's half-width, 20 % for
// zinc's 400 to 600 A/m2, as a rectangle: 11.5 % standard uncertainty.
func TestPlanGuessesAreDoubted(t *testing.T) {
	args := []string{"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--volume", "0.9 L", "--recover", "85 %", "--efficiency", "88 %"}
	wants(t, flat(t, append(args, "--current", "3 A")...), "60 cm2 ± 20 % is assumed", "cathode area 60 ± 14 cm² a", "current 3.00 A g")
	out := flat(t, append(args, "--cathode-area", "60 cm2")...)
	wants(t, out, "3.0 A ± 20 % is assumed", "current 3.00 ± 0.69 A a")
	object := planObject(t, append(args, "--cathode-area", "60 cm2")...)
	if u := object["duration_standard_uncertainty_seconds"].(float64) / object["duration_seconds"].(float64); math.Abs(u-math.Hypot(0.2/math.Sqrt(3), 0.0413)) > 0.003 {
		t.Errorf("the time is doubtful by %g", u)
	}
	marks := object["marks"].(map[string]any)
	if marks["duration_seconds"] != "assumed" {
		t.Errorf("the time is %v", marks["duration_seconds"])
	}
}

// TestPlanBoltsLugs: no clip carries 30 A, and none is counted.
func TestPlanBoltsLugs(t *testing.T) {
	out := flat(t, zincPlan("--current", "30 A", "--cathode-area", "6 dm2")...)
	wants(t, out, "clips bolt a Bolt a greased lug")
	wantsNot(t, out, "0 per electrode")
}

// TestPlanMarksGrowth: growth rests on a guessed efficiency, so it is assumed whatever the density is.
func TestPlanMarksGrowth(t *testing.T) {
	args := []string{"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--salt-assay", "99 %", "--volume", "0.9 L", "--recover", "50 %", "--current", "3 A", "--cathode-area", "60 cm2"}
	for mark, more := range map[string][]string{"a": nil, "p": {"--efficiency", "88 %"}} {
		if out := planOutput(t, append(args, more...)...); !regexp.MustCompile(`growth +[0-9.]+ µm/h +` + mark + ` `).MatchString(out) {
			t.Errorf("with %q growth is not marked %s", more, mark)
		}
	}
	for _, row := range []string{`charge to pass +[0-9.]+ \([0-9. to]+\) A·h +a\n`, `current +3.00 A +g`, `time +.* h\) +a`, `deposit +.* g +a `} {
		if out := planOutput(t, args...); !regexp.MustCompile(row).MatchString(out) {
			t.Errorf("%s is not marked so", row)
		}
	}
}

// TestPlanOneLastPlace: a figure and its doubt end at the same place, in every table.
func TestPlanOneLastPlace(t *testing.T) {
	pair := regexp.MustCompile(`([0-9]+)(\.[0-9]+)? ± ([0-9]+)(\.[0-9]+)?`)
	for _, args := range [][]string{zincPlan(), copperPlan(), nickelChloride("--room-volume", "20 m3"), zincPlan("--separator", "diaphragm"), zincPlan("--efficiency", "88 % ± 20 %")} {
		for _, found := range pair.FindAllStringSubmatch(planOutput(t, args...), -1) {
			if len(found[2]) != len(found[4]) {
				t.Errorf("%q mixes decimals", found[0])
			}
		}
	}
	for _, u := range []float64{0.2, 0.5, 1.97, 2, 2.01, 4, 4.99, 5, 19.9, 49.9, 50, 100} {
		text := report.Show(matter.Figure{Value: 48.317, StandardUncertainty: u / 2, Mark: matter.Given}, report.One)
		if found := pair.FindStringSubmatch(text); found == nil || len(found[2]) != len(found[4]) {
			t.Errorf("±%g: %q", u, text)
		}
	}
}

// TestPlanTakesSupportingElectrolyte: salts that carry current but no metal are told, not refused.
func TestPlanTakesSupportingElectrolyte(t *testing.T) {
	out := flat(t, zincPlan("--salt", "Na2SO4")...)
	wants(t, out, "Na2SO4 contains no zinc: taken as supporting electrolyte", "Na2SO4 supporting holds no zinc", "Pass 45.0 ± 3.7 A·h")
	wantsNot(t, out, "No assay of Na2SO4")
	wants(t, flat(t, "--salt", "H3BO3", "--salt", "NiSO4·6H2O", "--salt-concentration", "30 g/L", "--salt-concentration", "240 g/L", "--volume", "1 L", "--recover", "40 %",
		"--current", "2 A", "--cathode-area", "1 dm2"), "nickel, 2 electrons, sulfate", "H3BO3 contains no nickel")
}

func TestPlanRefusesAnUnknownValence(t *testing.T) {
	_, err := runPlanCommand(zincPlan("--valence", "1")...)
	if err == nil || err.Error() != "--valence: zinc with valence 1 is not in the table of metals; it has valence 2; leave it out to take the usual one in the medium" {
		t.Errorf("%v", err)
	}
}

func number(t *testing.T, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestPlanWarnsOfAcidOnlyWhereItIsMade: nickel from sulfate turns acid before an insoluble anode,
// not before one of nickel, and not where chlorine comes off.
func TestPlanWarnsOfAcidOnlyWhereItIsMade(t *testing.T) {
	sulfate := []string{"--salt", "NiSO4·6H2O", "--salt-mass", "240 g", "--volume", "1 L", "--thickness", "0.1 mm ± 0.01 mm", "--current", "2.5 A", "--cathode-area", "1 dm2"}
	wants(t, flat(t, sulfate...), "The bath turns acid overnight", "Target: a deposit of 100 µm")
	wantsNot(t, flat(t, append(sulfate, "--soluble-anode")...), "The bath turns acid overnight")
	wantsNot(t, flat(t, "--salt", "ZnCl2", "--salt-mass", "100 g", "--volume", "0.9 L", "--recover", "50 %", "--current", "3 A", "--cathode-area", "60 cm2"), "Acid builds up as zinc is depleted")
}

// TestPlanTakesThePHFromTheAcid: 1.5 mol/L of strong acid would be pH -0.18; the sulfate of the bath takes half of it up as bisulfate.
func TestPlanTakesThePHFromTheAcid(t *testing.T) {
	wants(t, flat(t, copperPlan("--acid", "1.5 mol/L")...), "pH 0.40 ± 0.60 a")
	wants(t, flat(t, copperPlan("--acid", "1.5 mol/L", "--ph", "0.5")...), "pH 0.500 g")
}

// TestPlanSaysOutsideTheWindow: what lies outside of what is usual is said beside the figure.
func TestPlanSaysOutsideTheWindow(t *testing.T) {
	wants(t, flat(t, zincPlan("--ph", "4.5", "--temperature", "20 °C", "--current", "5 A")...), "pH 4.50 g above the usual -0.5 to 4",
		"20.0 °C g below the usual 30 to 40", "8.33 A/dm² g above the usual 4 to 6", "63.2 ± 2.3 g/L a usual 50 to 70 g/L")
	wants(t, flat(t, "--metal", "Ag", "--medium", "nitrate", "--concentration", "20 g/L", "--volume", "1 L", "--recover", "50 %"), "silver, 1 electron, nitrate", "g below the usual 50 to 150 g/L")
}

// TestPlanComparesWithMarks: each row of the comparison and each grid ends in a mark.
func TestPlanComparesWithMarks(t *testing.T) {
	out := planOutput(t, copperPlan("--compare", "2 A", "--taper", "0.33")...)
	_, table, _ := strings.Cut(out, "Side by side\n")
	table, _, _ = strings.Cut(table, "\n\n")
	rows := strings.Split(table, "\n")
	if len(rows) < 12 {
		t.Fatalf("%d rows", len(rows))
	}
	for _, row := range rows[1:] {
		if !regexp.MustCompile(` [mgpa]$`).MatchString(row) {
			t.Errorf("%q has no mark", row)
		}
	}
	for _, title := range []string{`Course of the run, .*\([mgpa]\)`, `Programme that .*\([mgpa]\)`} {
		if !regexp.MustCompile(title).MatchString(out) {
			t.Errorf("%s: no mark", title)
		}
	}
	// 72.6 and 68.0 A·h differ by more than the 10 A·h of doubt that both share would show.
	if !regexp.MustCompile(`charge, A·h +72\.6 +68\.0  g`).MatchString(out) {
		t.Error("the charges are not compared to three digits")
	}
}

// TestPlanSaysAtMostWhereItIsMore: all of the current makes the oxygen that is expected, so nothing more can come; of hydrogen more can.
func TestPlanSaysAtMostWhereItIsMore(t *testing.T) {
	for _, line := range strings.Split(planOutput(t, copperPlan()...), "\n") {
		switch {
		case strings.Contains(line, "oxygen, total") && strings.Contains(line, "at most"):
			t.Errorf("%q", line)
		case strings.Contains(line, "hydrogen, total") && !strings.Contains(line, "at most"):
			t.Errorf("%q", line)
		}
	}
	wants(t, flat(t, copperPlan()...), "oxygen, total", "hydrogen, total")
}

// TestPlusMinusHasOneMeaning: the ± that a note says was assumed, typed as it stands, gives the same plan but for its last digit: both are half-widths.
func TestPlusMinusHasOneMeaning(t *testing.T) {
	plan := []string{"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g ± 0.5 g", "--volume", "0.9 L ± 0.01 L", "--recover", "50 %", "--efficiency", "88 % ± 1 %"}
	said := regexp.MustCompile(`100 % is assumed, (± [0-9.]+ %)`).FindStringSubmatch(flat(t, plan...))
	if said == nil {
		t.Fatal("no note says what is assumed of the assay")
	}
	charge := func(args ...string) (value, doubt float64) {
		got := planObject(t, args...)
		value, _ = got["target_charge_coulombs"].(float64)
		doubt, _ = got["target_charge_standard_uncertainty_coulombs"].(float64)
		return value, doubt
	}
	assumed, u := charge(plan...)
	typed, v := charge(append(plan, "--salt-assay", "100 % "+said[1])...)
	if assumed == 0 || u == 0 || assumed != typed || math.Abs(u/v-1) > 0.03 {
		t.Errorf("%v ± %v C assumed, %v ± %v C typed", assumed, u, typed, v)
	}
}

// TestPlanOfAStarvedCathode: 250 A/m² of copper at 85 % need 0.85·250/(2F·1.05e-5) = 105 mol/m³ = 6.7 g/L under gas stirring (k_m: from memory, as
// in package bath). A bath of 0.1 g/L never had that, which the first lines say; one of 50 g/L has it; and with the stirring stated the
// screen says what remains of the efficiency.
func TestPlanOfAStarvedCathode(t *testing.T) {
	copper := func(mass string, more ...string) string {
		return brief(t, append([]string{"--salt", "CuSO4·5H2O", "--salt-mass", mass, "--volume", "1 L", "--acid", "1 mol/L", "--recover", "50 %", "--efficiency", "85 %", "--current", "2 A", "--cathode-area", "80 cm2"}, more...)...)
	}
	const starved, whole = "Only if you lower the current, enlarge the cathode or force the flow", "efficiency of whole charge"
	wants(t, copper("0.4 g"), starved, "optimistic below about 7 g/L")
	wantsNot(t, copper("0.4 g"), "Will it plate? Yes", whole)
	wantsNot(t, copper("200 g"), starved)
	wants(t, copper("0.4 g", "--stirring", "bubble"), whole)
	wantsNot(t, copper("0.4 g", "--stirring", "bubble"), starved)
}
