package main

import (
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// picklePlan is a spent galvanizing pickle as it is: zinc with iron and ammonium, in chloride.
func picklePlan(more ...string) []string {
	return append([]string{"--metal", "Zn", "--salt", "ZnCl2", "--salt-mass", "120 g", "--salt", "FeCl2", "--salt-mass", "60 g", "--salt", "NH4Cl", "--salt-mass", "30 g",
		"--volume", "0.9 L", "--recover", "60 %", "--current", "3 A", "--cathode-area", "60 cm2", "--separator", "diaphragm", "--anode", "graphite"}, more...)
}

// TestPlanTellsOtherMetals: iron is told with its mass, its potential and its charge, and not counted. By hand:
// 60 g × 55.845/126.745 = 26.44 g, 25.38 A·h; -0.447 + 0.01285·ln(0.5260) = -0.455 V at 25 °C, zinc
// -0.7618 + 0.01285·ln(0.9784) = -0.762 V (standard potentials: OpenStax Chemistry 2e, Appendix L). Activities and chloride, which
// binds zinc the more, move either by no more than 0.03 V.
func TestPlanTellsOtherMetals(t *testing.T) {
	out := flat(t, picklePlan()...)
	wants(t, out, "FeCl2 adds iron, which can plate too: the charge is that of zinc alone", "iron 26.44 ± 0.53 g a nobler on paper by 0.33 V, but zinc mostly deposits first beside metals of the iron group",
		"25.4 A·h more at 100 % for all of it", "Remove iron first, or it codeposits", "easiest anode reaction, ferric from ferrous", "nitrogen trichloride",
		"cross the separator. ", "NH4Cl supporting")
	wantsNot(t, out, "FeCl2 supporting")
	object := planObject(t, picklePlan()...)
	others, _ := object["other_metals"].([]any)
	if len(others) != 1 {
		t.Fatalf("%v", object["other_metals"])
	}
	iron := others[0].(map[string]any)
	for key, want := range map[string]float64{"mass_grams": 26.437, "charge_at_full_efficiency_coulombs": 91360} {
		if got := iron[key].(float64); math.Abs(got/want-1) > 1e-3 {
			t.Errorf("%s: %g, by hand %g", key, got, want)
		}
	}
	if v, by := iron["potential_volts"].(float64), iron["nobler_by_volts"].(float64); math.Abs(v+0.455) > 0.03 || by < 0.307 || by > 0.307+0.03 {
		t.Errorf("iron at %g V, nobler by %g V", v, by)
	}
	// Chloride: (2·120/136.28 + 2·60/126.745 + 30/53.49) mol in 0.9 L.
	if got, want := object["chloride_moles_per_cubic_metre"].(float64), (240/136.28+120/126.745+30/53.49)/0.9e-3; math.Abs(got/want-1) > 1e-3 {
		t.Errorf("chloride %g mol/m3, by hand %g", got, want)
	}
	_, err := runPlanCommand(picklePlan("--metal", "")...)
	if err == nil || !strings.Contains(err.Error(), "the salts hold Zn and Fe; say which one to recover, such as metal Zn") {
		t.Errorf("%v", err)
	}
	// Copper in zinc comes first, manganese stays behind, and neither is of the iron group.
	out = flat(t, zincPlan("--metal", "Zn", "--salt", "CuSO4", "--salt-mass", "1 g", "--salt", "MnSO4", "--salt-mass", "3 g")...)
	wants(t, out, "deposits first, as far as stirring brings it", "mostly stays in solution while the bath is rich", "Remove copper first, or it codeposits")
	wantsNot(t, out, "copper and manganese first", "manganese first")
	wants(t, flat(t, "--metal", "Co", "--salt", "CoSO4", "--salt-mass", "100 g", "--salt", "NiSO4", "--salt-mass", "100 g", "--volume", "1 L", "--recover", "50 %", "--current", "2 A", "--cathode-area", "1 dm2"),
		"about as noble on paper: codeposits")
}

// TestPlanCountsChlorideOfSalts: common salt in a sulfate bath makes chlorine possible, on the page for the door too.
func TestPlanCountsChlorideOfSalts(t *testing.T) {
	wants(t, flat(t, zincPlan("--salt", "NaCl", "--salt-mass", "10 g")...), "chlorine, possible", "can come off at this anode and is poisonous")
	wants(t, flat(t, zincPlan("--salt", "NaCl")...), "chlorine, possible", "No amount is stated: 1 mol/L is assumed")
	wantsNot(t, flat(t, zincPlan("--salt", "NaCl", "--salt-mass", "0.1 g")...), "chlorine, possible")
	wantsNot(t, flat(t, zincPlan("--salt", "NaCl", "--salt-mass", "10 g", "--chloride", "0.002 mol/L")...), "chlorine, possible")
}

// TestPlanDigitsOfWhatIsRough: growth carries the doubt of the efficiency, what rests on a mixed room two digits;
// and nothing is minus zero.
func TestPlanDigitsOfWhatIsRough(t *testing.T) {
	out := flat(t, picklePlan("--room-volume", "30 m3", "--ventilation", "40 m3/h", "--efficiency", "87.5 % ± 7.5 %")...)
	for _, row := range []string{`growth 75 µm/h`, `0\.5 ppm chlorine after 40 s`, `chlorine levels off at 34 ppm`} {
		if !regexp.MustCompile(row).MatchString(out) {
			t.Errorf("%q is not printed", row)
		}
	}
	wantsNot(t, flat(t, "--salt", "Cr2(SO4)3", "--salt-mass", "150 g", "--volume", "1 L", "--recover", "60 %", "--current", "1 A", "--cathode-area", "60 cm2", "--separator", "cation-membrane"), "-0.0 ", "-0 ")
}

// TestPlanStatedVoltage: where the voltage is stated, energy is at the cell, and the door tells that voltage.
func TestPlanStatedVoltage(t *testing.T) {
	wants(t, flat(t, zincPlan("--cell-voltage", "3.4 V")...), "kWh a at the cell, with the stated voltage")
	door := filepath.Join(t.TempDir(), "door.html")
	planOutput(t, zincPlan("--cell-voltage", "3.4 V ± 0.1 V", "--door-notice", door)...)
	page, err := os.ReadFile(door)
	if err != nil || !regexp.MustCompile(`Usual voltage</dt><dd>about 3\.40? V`).Match(page) {
		t.Errorf("the door does not tell the stated voltage (%v)", err)
	}
}

// TestPlanDoorNoticeTimes: begin and end are filled in where the start is stated, else left as lines; where the switch is stays to be written.
func TestPlanDoorNoticeTimes(t *testing.T) {
	door := filepath.Join(t.TempDir(), "door.html")
	for _, c := range []struct{ start, begins, ends string }{
		{"", "", ""},
		{"2026-03-06T21:30:00+01:00", "Fri 6 Mar 21:30", "Sat 7 Mar 11:16 to Sat 7 Mar 13:45"},
	} {
		args := zincPlan("--efficiency", "88 %", "--door-notice", door)
		if c.start != "" {
			args = append(args, "--start", c.start)
		}
		planOutput(t, args...)
		page, err := os.ReadFile(door)
		if err != nil {
			t.Fatal(err)
		}
		for label, want := range map[string]string{"Begun (date, hour)": c.begins, "Ends about": c.ends, "Mains switch is at": ""} {
			if row := `<td>` + label + `</td><td class="line">` + want + `</td>`; !strings.Contains(string(page), row) {
				_, got, _ := strings.Cut(string(page), label)
				t.Errorf("start %q: no %s in %.90s", c.start, row, got)
			}
		}
	}
	for args, want := range map[string]string{"--start=2026-03-06T21:30:00+01:00": "it is for the door notice", "--start=tonight --door-notice=" + door: `--start tonight: give a time such as "2026`} {
		if _, err := runPlanCommand(zincPlan(strings.Fields(args)...)...); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", args, err)
		}
	}
}

// TestPlanBathTooHot: the sentence is in the unit of the flag.
func TestPlanBathTooHot(t *testing.T) {
	_, err := runPlanCommand(zincPlan("--temperature", "120 °C")...)
	if err == nil || !strings.Contains(err.Error(), "--temperature: '120 °C' makes no sense here; an aqueous bath lies between 0 °C and 100 °C") {
		t.Errorf("%v", err)
	}
	for _, limit := range []string{"0 °C", "100 °C"} {
		if _, err := runPlanCommand(zincPlan("--temperature", limit)...); err != nil {
			t.Errorf("%s: %v", limit, err)
		}
	}
}

// TestPlanAnolyteMedium: a chloride bath beside sulfuric acid behind a cation membrane.
func TestPlanAnolyteMedium(t *testing.T) {
	args := []string{"--salt", "ZnCl2", "--salt-mass", "120 g", "--volume", "0.9 L", "--recover", "60 %", "--efficiency", "87.5 % ± 7.5 %", "--current", "3 A", "--cathode-area", "60 cm2", "--separator", "cation-membrane", "--anolyte-medium", "sulfate", "--anode", "lead"}
	out := flat(t, args...)
	wants(t, out, "anode: oxygen from water expected", "chlorine, possible", "as H2SO4 [", "two openings, each 4.2 cm²", "charge per litre 36.0 ± 3.8 A·h/L", "thickness at the end 0.81 mm")
	wantsNot(t, out, "pH -0.0")
	if object := planObject(t, args...); object["anolyte_medium"] != "sulfate" || object["medium"] != "chloride" {
		t.Errorf("%v, %v", object["anolyte_medium"], object["medium"])
	}
}

// TestPlanSolubleAnode: a bath whose anode dissolves does not run empty, and no sentence says that it does.
func TestPlanSolubleAnode(t *testing.T) {
	out := flat(t, "--salt", "CuSO4·5H2O", "--salt-mass", "200 g", "--volume", "1 L", "--deposit", "20 g", "--efficiency", "93 %", "--current", "2 A", "--cathode-area", "1 dm2", "--soluble-anode")
	wants(t, out, "The anode dissolves and returns 21.0 (20.4 to 21.5) g. 52 (49 to 54) g/L remain in the bath.", "If it does not, state soluble_anode = false", "returned 21.0 (20.4 to 21.5) g")
	wantsNot(t, out, "g in the bath.", "Depletion", "recovered 3")
}

// TestPlanAnodeTakesMetal: lead nitrate may leave nothing or half of its lead in the bath, and the plan says so in its first lines;
// JSON has both ends, and metal in the bath = deposit + anode loss + what crosses + what remains.
func TestPlanAnodeTakesMetal(t *testing.T) {
	lead := []string{"--salt", "Pb(NO3)2", "--salt-mass", "150 g", "--volume", "1 L", "--recover", "50 %", "--current", "2 A"}
	out := flat(t, lead...)
	wants(t, out, "The anode takes 30 (0 to 50) g more as PbO2. 20 (0 to 50) g/L remain in the bath", "lost to the anode", "0 to 100 % of its charge [1]", "[1] common practice, no source", "anode takes metal with 100 % of its charge")
	wantsNot(t, out, "46.9 ± 4.4")
	for name, args := range map[string][]string{"by the table": lead, "stated": append(lead[:len(lead):len(lead)], "--anode-loss", "20 % ± 5 %"), "divided": append(lead[:len(lead):len(lead)], "--separator", "diaphragm"),
		"soluble": append(lead[:len(lead):len(lead)], "--anode", "lead sheet"), "none": zincPlan()} {
		o := planObject(t, args...)
		number := func(key string) float64 {
			x, ok := o[key].(float64)
			if !ok {
				t.Fatalf("%s: %s is %v", name, key, o[key])
			}
			return x
		}
		all, rest := number("metal_in_bath_grams"), number("remaining_concentration_kilograms_per_cubic_metre")*number("bath_volume_cubic_metres")*1e3
		crossed, _ := o["crossed_grams"].(float64)
		if most, _ := o["crossed_high_grams"].(float64); (most > 0) != (name == "divided") {
			t.Errorf("%s: up to %g g cross a separator", name, most)
		}
		if gap := all - number("deposit_grams") - number("anode_loss_grams") - crossed - rest; math.Abs(gap) > 1e-12*all {
			t.Errorf("%s: %g of %g g are nowhere", name, gap, all)
		}
		low, best, high := number("anode_loss_low_grams"), number("anode_loss_grams"), number("anode_loss_high_grams")
		if !(low <= best && best <= high) || (name == "none") != (low == high) || (name == "soluble") != (high < 0) {
			t.Errorf("%s: %g to %g, likeliest %g g at the anode", name, low, high, best)
		}
	}
	if _, err := runPlanCommand(append(lead, "--anode-loss", "120 %")...); err == nil || !strings.Contains(err.Error(), "--anode-loss") {
		t.Errorf("%v", err)
	}
	denied := flat(t, append(lead[:len(lead):len(lead)], "--anode", "lead sheet", "--soluble-anode=false", "--cathode", "unobtainium sheet")...)
	wants(t, denied, "The anode takes 30 (0 to 50) g more", "A cathode of unobtainium sheet is not in the table")
	wants(t, flat(t, append(lead, "--anode", "unobtainium")...), "An anode of unobtainium is not in the table")
}

// TestDoorWarnsOfNitrogenTrichloride: with ammonium and chlorine both, and only then.
func TestDoorWarnsOfNitrogenTrichloride(t *testing.T) {
	for name, args := range map[string][]string{"pickle": picklePlan(), "sulfate": zincPlan("--salt", "(NH4)2SO4")} {
		door := filepath.Join(t.TempDir(), "door.html")
		planOutput(t, append(args, "--door-notice", door)...)
		page, err := os.ReadFile(door)
		if err != nil || strings.Contains(string(page), "explodes at a touch") != (name == "pickle") {
			t.Errorf("%s: wrong word on the door (%v)", name, err)
		}
	}
}

// TestPlanAndDoorTellTheDangers: what the bath can give off or leave behind stands among the dangers, and on the door. Arsine: equilibrium potentials of
// 0.144, 0.005 and -0.238 V from arsenic acid, arsenious acid and arsenic (Transactions of Nonferrous Metals Society of China 2000(1), 101-104),
// above that of any cathode that makes hydrogen; fulminating silver: Chemical & Engineering News 74(2) (1996) 2; hydrogen with chlorine: The
// Chlorine Institute, Pamphlet 121 (2009); chromic acid: NIOSH (hazard summary at haz-map.com); nitrogen oxides over metal in nitric acid: OpenStax
// Chemistry 2e, section 18.7.
func TestPlanAndDoorTellTheDangers(t *testing.T) {
	bath := func(more ...string) []string {
		return append(more, "--volume", "1 L", "--charge", "5 A h", "--efficiency", "80 %", "--current", "2 A", "--cathode-area", "80 cm2")
	}
	for _, test := range []struct {
		args      []string
		want, not string
	}{
		{bath("--metal", "Zn", "--salt", "ZnSO4", "--salt-mass", "150 g", "--salt", "NaAsO2", "--salt-mass", "1 g"), "NaAsO2 gives off arsine, deadly", "stibine, deadly"},
		{bath("--metal", "Cu", "--salt", "CuSO4", "--salt-mass", "150 g", "--salt", "SbCl3", "--salt-mass", "1 g"), "SbCl3 gives off stibine, deadly", "arsine, deadly"},
		{bath("--metal", "Sb", "--salt", "SbCl3", "--salt-mass", "60 g", "--acid", "4 mol/L"), "A depleted bath gives off stibine", "SbCl3 gives off"},
		{bath("--metal", "Zn", "--salt", "ZnSO4", "--salt-mass", "150 g", "--salt", "KCN", "--salt-mass", "1 g"), "KCN in an acid bath gives off hydrogen cyanide, deadly", "hydrogen sulfide"},
		{bath("--metal", "Zn", "--salt", "ZnSO4", "--salt-mass", "150 g", "--salt", "Na2S·9H2O", "--salt-mass", "1 g"), "Na2S·9H2O in an acid bath gives off hydrogen sulfide, deadly", "hydrogen cyanide"},
		{bath("--metal", "Cu", "--salt", "CuSO4", "--salt-mass", "150 g", "--salt", "CS(NH2)2", "--salt-mass", "10 mg"), "Acid bath", "in an acid bath"},
		{bath("--salt", "KAg(CN)2", "--salt-mass", "60 g", "--salt", "KCN", "--salt-mass", "60 g"), "No acid near it", "in an acid bath"},
		{bath("--salt", "AgNO3", "--salt-mass", "50 g", "--salt", "NH3", "--salt-mass", "30 g", "--medium", "ammine"), "fulminating silver", "Nitrate bath"},
		{bath("--salt", "Pb(NO3)2", "--salt-mass", "150 g"), "gives off nitrogen oxides", "fulminating"},
		{bath("--salt", "CrO3", "--salt-mass", "250 g", "--salt", "H2SO4", "--salt-mass", "2.5 g"), "Chromic acid and its mist: carcinogenic", "oxidizes chromium(III)"},
		{bath("--salt", "CrCl3", "--salt-mass", "150 g"), "oxidizes chromium(III) to chromium(VI), a carcinogen", "Chromic acid and its mist"},
	} {
		door := filepath.Join(t.TempDir(), "door.html")
		out := brief(t, append(test.args, "--door-notice", door)...)
		page, err := os.ReadFile(door)
		if err != nil {
			t.Fatal(err)
		}
		wants(t, out, test.want)
		wantsNot(t, out, test.not)
		if text := strings.Join(strings.Fields(string(page)), " "); !strings.Contains(text, test.want) || strings.Contains(text, test.not) {
			t.Errorf("%v: %q is not on the door, or %q is", test.args, test.want, test.not)
		}
	}
	wants(t, brief(t, picklePlan()...), "With hydrogen it explodes in daylight", "Remove iron first, or it codeposits: as hydroxide, or at low current on scrap.")
	both := append(picklePlan(), "--salt", "CuSO4", "--salt-mass", "1 g")
	wants(t, brief(t, both...), "by cementation (not iron), as hydroxide", "Beside arsenic")
	wantsNot(t, brief(t, zincPlan("--metal", "Zn", "--salt", "CuSO4", "--salt-mass", "1 g")...), "not iron")
	// No liquid flows through a membrane, whatever the levels.
	wants(t, flat(t, zincPlan("--separator", "diaphragm")...), "Keep its level slightly higher")
	wantsNot(t, flat(t, zincPlan("--separator", "cation-membrane")...), "Keep its level slightly higher")
	// A dissolving anode needs a fraction of the volts that are usual with an insoluble one.
	wantsNot(t, flat(t, bath("--salt", "CuSO4", "--salt-mass", "150 g", "--soluble-anode")...), "usual in the trade")
}

// TestPlanPromisesNoExpertsEfficiency: an efficiency that nobody stated is a beginner's, as a range, and the answer's first five
// lines say under which condition it plates. What is shown narrows it; a stated efficiency is nobody else's business.
func TestPlanPromisesNoExpertsEfficiency(t *testing.T) {
	manganese := []string{"--metal", "Mn", "--medium", "sulfate", "--volume", "1 L", "--concentration", "35 g/L", "--recover", "44 %", "--current", "3 A", "--cathode-area", "60 cm2", "--separator", "diaphragm"}
	out, err := runPlanCommand(manganese...)
	if err != nil {
		t.Fatal(err)
	}
	head := strings.Join(strings.Split(out, "\n")[:5], " ")
	wants(t, head, "94 (17 to 500) A·h", "44 (0.51 to 100) %", "Only if you buffer the bath with an ammonium salt or boric acid, and take out what is nobler than the metal, and keep the bath at 20 to 40 °C", "as low as 3 %")
	wants(t, flat(t, manganese...), "efficiency 16 (3.0 to 86) %", "No current efficiency is stated: 3 to 86 % is assumed")
	wantsNot(t, out, "84 ± 7", "divide the cell,")
	object := planObject(t, append(manganese, "--purified", "--temperature", "30 °C", "--salt", "(NH4)2SO4", "--salt-mass", "130 g")...)
	if e, u := object["efficiency_ratio"].(float64), object["efficiency_standard_uncertainty_ratio"].(float64); math.Abs(e-0.8395) > 1e-9 || u < 0.03 {
		t.Errorf("with everything shown the efficiency is %g, %g", e, u)
	}
	if object := planObject(t, manganese...); object["efficiency_low_ratio"] != 0.03 || object["efficiency_standard_uncertainty_ratio"] != nil || !(object["deposit_high_grams"].(float64) > 30) {
		t.Errorf("%v to %v, %v", object["efficiency_low_ratio"], object["efficiency_high_ratio"], object["deposit_high_grams"])
	}
	wantsNot(t, strings.Join(strings.Split(planOutput(t, append(manganese, "--efficiency", "60 %")...), "\n")[:6], " "), "efficiency may be")
}
