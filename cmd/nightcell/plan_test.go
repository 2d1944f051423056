package main

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// zincPlan is the project's scenario as a command line.
func zincPlan(more ...string) []string {
	return append([]string{"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--volume", "0.9 L", "--recover", "85 %",
		"--efficiency", "88 %", "--current", "3 A", "--cathode-area", "60 cm2"}, more...)
}

// copperPlan is the case of the trade's two-stage table.
func copperPlan(more ...string) []string {
	return append([]string{"--metal", "Cu", "--medium", "sulfate", "--concentration", "40 g/L", "--volume", "2 L", "--leave", "2 g/L",
		"--efficiency", "95 %", "--mass-transfer", "1e-5 m/s", "--current", "4 A", "--cathode-area", "2 dm2"}, more...)
}

// runPlanCommand runs plan and returns what it printed.
func runPlanCommand(args ...string) (string, error) {
	var out bytes.Buffer
	cmd := newPlanCommand(&shell{in: strings.NewReader(""), out: &out, err: io.Discard})
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetFlagErrorFunc(flagMistake)
	cmd.SetArgs(append([]string{}, args...)) // nil would mean the test's own
	err := cmd.Execute()
	return out.String(), err
}

// planOutput is all that plan prints of a cell.
func planOutput(t *testing.T, args ...string) string {
	t.Helper()
	out, err := runPlanCommand(append([]string{"--full"}, args...)...)
	if err != nil {
		t.Fatalf("plan %q: %v", args, err)
	}
	return out
}

func planObject(t *testing.T, args ...string) map[string]any {
	t.Helper()
	var object map[string]any
	if err := json.Unmarshal([]byte(planOutput(t, append(args, "--json")...)), &object); err != nil {
		t.Fatal(err)
	}
	return object
}

// TestPlanJSON checks the keys that others rely on, and their values by hand with
// CIAAW and CODATA figures: 250 g × 65.38/287.54 × 0.85 ÷ (65.38/(2·96485.33)) ÷ 0.88. Hydrogen at
// worst: 3 A × 0.448765 L/A·h at 20 °C; air by the battery-room rule: 0.05 m3/h per ampere.
func TestPlanJSON(t *testing.T) {
	object := planObject(t, zincPlan()...)
	for key, want := range map[string]struct{ value, relative float64 }{
		"metal_in_bath_grams":                              {56.844, 1e-4},
		"theoretical_charge_coulombs":                      {142610, 1e-4},
		"target_charge_coulombs":                           {162057, 1e-4},
		"duration_seconds":                                 {54019, 1e-4},
		"deposit_grams":                                    {48.317, 1e-4},
		"hydrogen_worst_case_litres_per_hour":              {3 * 0.448765, 1e-5},
		"ventilation_cubic_metres_per_hour":                {0.15, 1e-9},
		"cathode_current_density_amperes_per_square_metre": {500, 1e-9},
	} {
		got, ok := object[key].(float64)
		if !ok || math.Abs(got/want.value-1) > want.relative {
			t.Errorf("%s: %v, want %g", key, object[key], want.value)
		}
	}
	u, _ := object["target_charge_standard_uncertainty_coulombs"].(float64)
	if want := 162057 * math.Hypot(0.04, math.Hypot(0.01, 0.001)); math.Abs(u/want-1) > 0.01 { // efficiency 4 %, assay 1 %, balance 0.1 %
		t.Errorf("standard uncertainty %g C, want about %g C", u, want)
	}
	if object["metal"] != "Zn" || object["medium"] != "sulfate" || object["safe_state"] != "lift-then-off" || object["safe_state_unattended"] != "hold" {
		t.Errorf("metal %v in %v, %v, %v", object["metal"], object["medium"], object["safe_state"], object["safe_state_unattended"])
	}
}

// TestPlanMarksEveryFigure: each number of the JSON knows where it comes from, and each key ends in a unit.
func TestPlanMarksEveryFigure(t *testing.T) {
	units := regexp.MustCompile(`_(grams|coulombs|seconds|ratio|moles|litres|volts|amperes|joules|watts|metres|kelvins|litres_per_hour|cubic_metres_per_hour|kilograms_per_cubic_metre|metres_per_second|amperes_per_square_metre|kelvins_per_hour|joules_per_kilogram|square_metres|cubic_metres|square_millimetres|coulombs_per_cubic_metre|coulombs_per_kilogram)$`)
	without := regexp.MustCompile(`^(hydroxide_|anolyte_)?ph(_at_end)?(_if_divided)?(_low|_high|_standard_uncertainty)?$|^energy_cost`)
	for _, args := range [][]string{zincPlan(), copperPlan("--room-volume", "20 m3", "--ventilation", "5 m3/h", "--price", "0.3")} {
		object := planObject(t, args...)
		marks, _ := object["marks"].(map[string]any)
		numbers := 0
		for key, value := range object {
			if _, isNumber := value.(float64); !isNumber || key == "valence" {
				continue
			}
			numbers++
			if !units.MatchString(key) && !without.MatchString(key) {
				t.Errorf("%s ends in no unit", key)
			}
			if strings.Contains(key, "standard_uncertainty") {
				continue
			}
			switch marks[key] {
			case "measured", "given", "published", "assumed":
			default:
				t.Errorf("%s = %v has no mark", key, value)
			}
		}
		if numbers < 40 {
			t.Errorf("only %d figures", numbers)
		}
	}
}

// TestPlanText holds the order of the whole answer: what it is, dangers, what to do, what decides it, tables, marks, sources.
func TestPlanText(t *testing.T) {
	out := planOutput(t, copperPlan()...)
	at := -1
	for _, part := range []string{"Pass ", "g/L remain in", "Will it plate? Yes", "\nDangers\n", "\nWhat to do\n", "To end the run, ", "\nWhat decides it\n", "\nPrecautions\n", "\nBath\n", "\nTarget: deplete to ", "\nRun\n",
		"\nPotentials ", "\nCell voltage\n", "\nGas and air ", "\nHeat, leads and energy\n", "\nCourse of the run", "\nm measured, g given", "\nSources\n"} {
		next := strings.Index(out, part)
		if next <= at {
			t.Errorf("%q stands at %d, after %d", part, next, at)
		}
		at = next
	}
	for _, line := range strings.Split(out, "\n") {
		if n := len([]rune(line)); n > 100 {
			t.Errorf("a line of %d columns: %s", n, line)
		}
	}
	for _, text := range []string{"95.0 %      2.00  18.1  72.6", "not a safety device", "Local codes"} { // the row of the trade's table
		if !strings.Contains(out, text) {
			t.Errorf("%q is missing", text)
		}
	}
}

func TestPlanCompares(t *testing.T) {
	object := planObject(t, copperPlan("--compare", "2 A", "--compare", "4 dm2")...)
	compared, _ := object["compared"].([]any)
	if len(compared) != 2 {
		t.Fatalf("%d compared", len(compared))
	}
	half, _ := compared[0].(map[string]any)
	wide, _ := compared[1].(map[string]any)
	// Half the current and twice the area both halve i/i_lim, so they take the same charge.
	if half["target_charge_coulombs"] != wide["target_charge_coulombs"] || half["current_amperes"] != 2.0 || wide["cathode_area_square_metres"] != 0.04 {
		t.Errorf("%v C at 2 A, %v C on 4 dm2", half["target_charge_coulombs"], wide["target_charge_coulombs"])
	}
	if a, b := half["target_charge_coulombs"].(float64), object["target_charge_coulombs"].(float64); a >= b {
		t.Errorf("less current density takes %g C, not less than %g C", a, b)
	}
	if out := planOutput(t, copperPlan("--compare", "2 A", "--compare", "4 dm2")...); !strings.Contains(out, "Side by side") {
		t.Error("no table")
	}
}

func TestPlanTapers(t *testing.T) {
	object := planObject(t, copperPlan("--taper", "0.5")...)
	taper, _ := object["taper"].([]any)
	charge := 0.0
	for _, one := range taper {
		s := one.(map[string]any)
		if s["limiting_current_share_ratio"].(float64) > 0.5+1e-9 || s["current_amperes"].(float64) > 4+1e-9 {
			t.Errorf("%v", s)
		}
		charge += s["charge_coulombs"].(float64)
	}
	want := object["theoretical_charge_coulombs"].(float64) / 0.95
	if len(taper) < 5 || math.Abs(charge/want-1) > 1e-9 {
		t.Errorf("%d settings pass %g C, without waste %g C", len(taper), charge, want)
	}
}

// TestPlanFromConfiguration: a shipped example and the same cell by flags agree; flags replace what the file says.
func TestPlanFromConfiguration(t *testing.T) {
	file := filepath.Join("..", "..", "configs", "divided-zinc-overnight.toml")
	fromFile := planObject(t, "--config", file)
	byFlags := planObject(t, "--metal", "Zn", "--concentration", "55 g/L ± 1 g/L", "--salt", "FeSO4", "--salt-concentration", "8.2 g/L", "--acid", "0.1 mol/L", "--volume", "0.9 L ± 2 %", "--medium", "sulfate",
		"--recover", "85 %", "--efficiency", "88 % ± 4 %", "--current", "3 A", "--cathode-area", "60 cm2", "--cathode", "aluminium", "--anode", "lead", "--gap", "30 mm",
		"--separator", "diaphragm", "--ph", "1.3", "--temperature", "25 °C", "--conductivity", "7 S/m", "--anolyte-volume", "0.5 L", "--ventilation", "5 m3/h", "--room-volume", "20 m3",
		"--meter-gain", "0.1 %", "--meter-offset", "5 mA")
	for key, want := range fromFile {
		if number, ok := want.(float64); ok {
			if got, _ := byFlags[key].(float64); math.Abs(got-number) > 1e-9*math.Abs(number) {
				t.Errorf("%s: %v in the file, %v by flags", key, number, byFlags[key])
			}
		}
	}
	other := planObject(t, "--config", file, "--cell", "zinc-1", "--current", "2 A", "--charge", "30 A h")
	if other["target_form"] != "charge" || other["current_amperes"] != 2.0 || other["target_charge_coulombs"] != 108000.0 {
		t.Errorf("%v %v %v", other["target_form"], other["current_amperes"], other["target_charge_coulombs"])
	}
}

// TestPlanAssumesWithAWord: what is not stated is assumed from the usual current density, and said.
func TestPlanAssumesWithAWord(t *testing.T) {
	args := []string{"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--volume", "0.9 L", "--recover", "85 %"}
	out := planOutput(t, append(args, "--cathode-area", "60 cm2")...)
	for _, text := range []string{"No current is stated: 3.0 A ± 20 % is assumed", "No assay of ZnSO4·7H2O is stated", "No current efficiency is stated: 40 to 92 %"} {
		if !strings.Contains(out, text) {
			t.Errorf("%q is missing", text)
		}
	}
	if out = planOutput(t, append(args, "--current", "3 A")...); !strings.Contains(out, "No cathode area is stated: 60 cm2 ± 20 % is assumed") {
		t.Error("the assumed area is not reported")
	}
	out = planOutput(t, args...)
	if !strings.Contains(strings.Join(strings.Fields(out), " "), "State the current or the cathode area") || strings.Contains(out, "Gas and air") {
		t.Error("without current and area there is nothing to be said of gas")
	}
	if object := planObject(t, append(args, "--current", "3 A")...); object["marks"].(map[string]any)["cathode_area_square_metres"] != "assumed" {
		t.Error("the assumed area is not marked")
	}
}

func TestPlanDrawsPictures(t *testing.T) {
	dir := t.TempDir()
	svg, picture := filepath.Join(dir, "run.svg"), filepath.Join(dir, "run.PNG")
	planOutput(t, copperPlan("--plot", svg, "--compare", "2 A", "--compare", "6 A")...)
	planOutput(t, zincPlan("--plot", picture)...)
	data, err := os.ReadFile(svg)
	if err != nil {
		t.Fatal(err)
	}
	checkXML(t, data)
	for _, text := range []string{"bath, g/L", "deposit, g", "efficiency, %", "charge, A·h", ">2 A<", ">6 A<", ">planned<", ">planned, instantaneous<", "#D5E2F0"} { // the last is the band
		if !bytes.Contains(data, []byte(text)) {
			t.Errorf("the picture lacks %q", text)
		}
	}
	f, err := os.Open(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if decoded, err := png.Decode(f); err != nil || decoded.Bounds().Dx() < 400 {
		t.Errorf("%v, %v", decoded, err)
	}
}

// TestPlanPage: the page has the answer, the tables and the picture, each figure in the words of the text.
func TestPlanPage(t *testing.T) {
	file := filepath.Join(t.TempDir(), "plan.html")
	text := planOutput(t, copperPlan("--compare", "2 A", "--page", file)...)
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	page := string(data)
	for _, part := range []string{"73 ± 10 A·h", "36.3 ± 5.4 A·h/L", "Side by side", "not a safety device", "18.1 ± 2.6 h"} {
		if !strings.Contains(text, part) || !strings.Contains(page, part) {
			t.Errorf("%q is not in both", part)
		}
	}
	if !strings.Contains(page, `<img src="data:image/svg`) {
		t.Error("no picture")
	}
	// Without a current there is no time axis and no picture, but a page all the same.
	planOutput(t, "--salt", "ZnSO4", "--salt-mass", "5 g", "--volume", "1 L", "--recover", "5 %", "--page", file)
	if data, err = os.ReadFile(file); err != nil || strings.Contains(string(data), "<img") || !strings.Contains(string(data), "5.00 %") {
		t.Errorf("%v", err)
	}
}

func checkXML(t *testing.T, data []byte) {
	t.Helper()
	d := xml.NewDecoder(bytes.NewReader(data))
	for {
		if _, err := d.Token(); errors.Is(err, io.EOF) {
			return
		} else if err != nil {
			t.Fatal(err)
		}
	}
}

func TestPlanDoorNotice(t *testing.T) {
	dir := t.TempDir()
	page := func(args []string) string {
		file := filepath.Join(dir, "door.html")
		planOutput(t, append(args, "--door-notice", file)...)
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
	zinc := page(zincPlan())
	for _, text := range []string{"Electrowinning of zinc from 0.900 L", "45.0 A·h", "cut the mains at the marked switch outside the room", "Else leave it alone and call", "Only the person in charge", "turn the current down to the hold current (about 0.30 A, assumed: a tenth)", "face shield", "never at the working current", "Do not switch it on again", "Telephone", "Hydrogen, explosive", "not a safety device", "Acid bath", "@page"} {
		if !strings.Contains(zinc, text) {
			t.Errorf("the page lacks %q", text)
		}
	}
	// What a stranger may do comes first, and turning down before lifting before off.
	at := -1
	for _, text := range []string{"cut the mains", "Only the person in charge", "turn the current down", "Lift the cathode out of the bath slowly", "OUTPUT OFF"} {
		next := strings.Index(zinc[max(at, 0):], text)
		if next < 0 {
			t.Errorf("%q does not come after what should stand before it", text)
			continue
		}
		at = max(at, 0) + next
	}
	if strings.Contains(zinc, "Chlorine") {
		t.Error("a sulfate bath makes no chlorine")
	}
	chloride := page([]string{"--salt", "ZnCl2", "--salt-mass", "100 g", "--volume", "0.9 L", "--recover", "50 %", "--current", "3 A", "--cathode-area", "60 cm2"})
	// The answer itself says it too. 3 A × 0.448765 L/A·h at 20 °C, as for hydrogen; 0.5e-6 × 500 L of it after 0.669 s.
	answer := strings.Join(strings.Fields(planOutput(t, "--salt", "ZnCl2", "--salt-mass", "100 g", "--volume", "0.9 L", "--recover", "50 %", "--current", "3 A", "--cathode-area", "60 cm2", "--room-volume", "0.5 m3")), " ")
	for _, text := range []string{"Chlorine, up to 1.35 L/h, is made at this anode and is poisonous. Fume hood only", "0.5 ppm chlorine after 0.67 s"} {
		if !strings.Contains(answer, text) {
			t.Errorf("the answer lacks %q", text)
		}
	}
	if !strings.Contains(chloride, "Chlorine can come off, poisonous") {
		t.Error("nothing warns of chlorine")
	}
}

// TestPlanMistakes: each wrong command line is a usage error that names the flag and the way out.
func TestPlanMistakes(t *testing.T) {
	dir := t.TempDir()
	for words, args := range map[string][]string{
		"--recover: '120 %' makes no sense here; it lies above 0 % and goes up to 100 %":                 zincPlan("--recover", "120 %"),
		"--efficiency: '101 %' makes no sense here; it lies above 0 % and goes up to 100 %":              zincPlan("--efficiency", "101 %"),
		"--cathode-area: '0 cm2' makes no sense here; it must be more than zero":                         zincPlan("--cathode-area", "0 cm2"),
		"--volume: '900 g' is a mass; a volume is needed":                                                zincPlan("--volume", "900 g"),
		"--salt-mass: '1e300 g' makes no sense here; no cell has that much":                              {"--salt", "ZnSO4", "--salt-mass", "1e300 g", "--volume", "1 L", "--recover", "5 %"},
		"--volume: '1e-300 L' makes no sense here; no cell has that little":                              {"--salt", "ZnSO4", "--salt-mass", "5 g", "--volume", "1e-300 L", "--recover", "5 %"},
		"--salt-mass: 3119 g/L of ZnSO4 are stated, and a bath holds no more":                            {"--salt", "ZnSO4·7H2O", "--salt-mass", "5 kg", "--volume", "0.9 L", "--recover", "5 %"},
		"--salt-mass: '5,0 g' has a comma":                                                               {"--salt", "ZnSO4", "--salt-mass", "5,0 g", "--volume", "1 L", "--recover", "5 %"},
		"--recover and --leave: give one target":                                                         zincPlan("--leave", "5 g/L"),
		"--salt: formula \"Xx\": there is no element \"Xx\"":                                             {"--salt", "Xx", "--salt-mass", "5 g", "--volume", "1 L", "--recover", "5 %"},
		"(cobalt is written Co)":                                                                         {"--salt", "COSO4", "--salt-mass", "5 g", "--volume", "1 L", "--recover", "5 %"},
		"--metal: the salts hold Cu and Ni; say which one to recover":                                    {"--salt", "CuSO4", "--salt-mass", "5 g", "--salt", "NiSO4", "--salt-mass", "5 g", "--volume", "1 L", "--recover", "5 %"},
		"--salt-mass: 2 values for 1 salt; give one for each":                                            zincPlan("--salt-mass", "1 g"),
		"--salt-mass (number 2): neither mass nor concentration of ZnO is stated":                        zincPlan("--salt", "ZnO"),
		"target: it is missing":                                                                          {"--salt", "ZnSO4", "--salt-mass", "5 g", "--volume", "1 L"},
		"\"ZnSO4\" is one argument too many; usage: nightcell plan with flags alone":                     zincPlan("ZnSO4"),
		"--cell zinc-1: add --config":                                                                    zincPlan("--cell", "zinc-1"),
		"reading the configuration":                                                                      {"--config", filepath.Join(dir, "missing.toml")},
		"no such cell; it has zinc-1":                                                                    {"--config", "../../configs/divided-zinc-overnight.toml", "--cell", "zinc-2"},
		"describes several cells: choose one with --cell":                                                {"--config", "../../configs/two-supplies.toml"},
		"give a file name that ends in .svg or .png":                                                     zincPlan("--plot", filepath.Join(dir, "run.pdf")),
		"--page x.txt: give a file name that ends in .html":                                              zincPlan("--page", "x.txt"),
		"give a file name that ends in .html":                                                            zincPlan("--door-notice", filepath.Join(dir, "door.pdf")),
		"there is no time axis without a current; state --current":                                       {"--salt", "ZnSO4", "--salt-mass", "5 g", "--volume", "1 L", "--recover", "5 %", "--plot", filepath.Join(dir, "run.svg")},
		"--compare: '3 g' is a mass; a current or an area is needed":                                     zincPlan("--compare", "3 g"),
		"--taper 0.5: a taper needs a mass transfer":                                                     zincPlan("--taper", "0.5"),
		"--separator: 'wall' is unknown; it is one of none, diaphragm":                                   zincPlan("--separator", "wall"),
		"--temperature: '-20 °C' makes no sense here; an aqueous bath lies between 0 °C and 100 °C":      zincPlan("--temperature", "-20 °C"),
		"--stirring: --mass-transfer is written too; keep one of the two":                                copperPlan("--stirring", "bubble"),
		"--stirring: 'bubbles' is unknown; it is one of still, bubble, forced; is 'bubble' meant?":       {"--metal", "Cu", "--stirring", "bubbles"},
		"--valence: 0 is out of range; it lies between 1 and 8":                                          zincPlan("--valence", "0"),
		"--room-temperature: '61 °C' makes no sense here; the air of a room lies between 0 °C and 60 °C": zincPlan("--room-temperature", "61 °C"),
		"--meter-gain: '101 %' makes no sense here; it lies between 0 % and 100 %":                       zincPlan("--meter-gain", "101 %"),
		"--valence: 9 is out of range; it lies between 1 and 8":                                          zincPlan("--valence", "9"),
		"--salt-assay (number 2): '120 %' makes no sense here":                                           zincPlan("--salt", "ZnO", "--salt-assay", "99 %", "--salt-assay", "120 %"),
		"--gap: 3 m between the electrodes is too far for a bench cell; look at the unit":                zincPlan("--gap", "3 m"),
		"--write cell.txt: give a file name that ends in .toml":                                          zincPlan("--write", "cell.txt"),
		"--meter-gain: '5 mA' is a current":                                                              zincPlan("--meter-gain", "5 mA"),
	} {
		out, err := runPlanCommand(args...)
		var usage usageError
		if err == nil || !errors.As(err, &usage) {
			t.Errorf("%q: %v is no usage error (printed %d bytes)", args, err, len(out))
			continue
		}
		if !strings.Contains(err.Error(), words) {
			t.Errorf("%q: %q does not say %q", args, err, words)
		}
		if out != "" {
			t.Errorf("%q: printed an answer all the same", args)
		}
	}
}

func TestPlanTellsAllMistakesAtOnce(t *testing.T) {
	_, err := runPlanCommand(zincPlan("--volume", "1 g", "--current", "2 V", "--separator", "wall")...)
	for _, flag := range []string{"--volume", "--current", "--separator"} {
		if err == nil || !strings.Contains(err.Error(), flag) {
			t.Errorf("%v says nothing of %s", err, flag)
		}
	}
}

// BenchmarkPlan is the whole command, with every table: it has to stay under 50 ms.
func BenchmarkPlan(b *testing.B) {
	for b.Loop() {
		if _, err := runPlanCommand(copperPlan("--taper", "0.5", "--compare", "2 A")...); err != nil {
			b.Fatal(err)
		}
	}
}
