package main

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/configs"
)

// TestPlanWrites: whatever the plan is made from, the written configuration is one without mistakes whose target is the
// plan's to the last bit, and a plan made from it answers the same.
func TestPlanWrites(t *testing.T) {
	for name, args := range map[string][]string{
		"zinc":     zincPlan(),
		"meter":    zincPlan("--meter-gain", "0.1 %"),
		"assumed":  {"--salt", "ZnSO4·7H2O", "--salt-mass", "250 g", "--volume", "0.9 L", "--recover", "85 %", "--cathode-area", "60 cm2", "--stirring", "bubble"},
		"copper":   copperPlan(),
		"moles":    {"--salt", "ZnSO4", "--salt-concentration", "140 g/L", "--volume", "1 L", "--leave", "0.1 mol/L", "--current", "3 A", "--cathode-area", "60 cm2"},
		"marginal": copperMarginal(),
		"pickle":   picklePlan("--ph", "2", "--price", "0.3", "--valence", "2"),
		"soluble":  {"--salt", "CuSO4·5H2O", "--salt-mass", "200 g", "--volume", "1 L", "--deposit", "20 g", "--current", "2 A", "--cathode-area", "1 dm2", "--soluble-anode"},
		"file":     {"--config", filepath.Join("..", "..", "configs", "divided-zinc-overnight.toml"), "--current", "2 A", "--leave", "20 g/L"},
	} {
		t.Run(name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "cell.toml")
			object := planObject(t, append(args, "--write", file)...)
			c, err := configs.Load(file)
			if err != nil {
				t.Fatal(err)
			}
			if want := "cell.zinc-1"; len(c.Cells) != 1 || object["metal"] == "Zn" && "cell."+c.Cells[0].Name != want {
				t.Errorf("cells %v", c.Cells)
			}
			if unfilled := c.Unfilled(); (len(unfilled) == 1) != (name != "file") {
				t.Errorf("to fill in: %v", unfilled)
			}
			made, err := c.Cells[0].Plan(c.Supply(c.Cells[0].Supply))
			if err != nil {
				t.Fatal(err)
			}
			if got := made.Goal.Charge.Value; got != object["target_charge_coulombs"] {
				t.Errorf("the target is %v C, of the plan %v C", got, object["target_charge_coulombs"])
			}
			again := planObject(t, "--config", file)
			for _, key := range []string{"target_charge_coulombs", "duration_seconds", "deposit_grams", "heat_watts", "expected_volts", "acid_grams", "energy_cost", "ph"} {
				if again[key] != object[key] {
					t.Errorf("%s: %v, of the plan %v", key, again[key], object[key])
				}
			}
		})
	}
}

// TestPlanWriteLosesNothing: a file that is there stays, and the data folder of a configuration is still the same from
// where the written one lies.
func TestPlanWriteLosesNothing(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "there.toml")
	if err := os.WriteFile(file, []byte("kept"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := runPlanCommand(zincPlan("--write", file)...); err == nil || !strings.Contains(err.Error(), "the file exists") {
		t.Errorf("%v", err)
	}
	if data, err := os.ReadFile(file); err != nil || string(data) != "kept" {
		t.Errorf("%q, %v", data, err)
	}
	below := filepath.Join(dir, "deeper")
	if err := os.Mkdir(below, 0o700); err != nil {
		t.Fatal(err)
	}
	first, second := filepath.Join(dir, "first.toml"), filepath.Join(below, "second.toml")
	planOutput(t, zincPlan("--write", first)...)
	planOutput(t, "--config", first, "--write", second)
	a, errA := configs.Load(first)
	b, errB := configs.Load(second)
	if errA != nil || errB != nil || a.Data != b.Data || a.Data != filepath.Join(dir, "nightcell-data") {
		t.Errorf("%v %v, %v %v", a, errA, b, errB)
	}
}

// TestPlanWritesTheFolderFromThere: a data folder that a configuration states from its own place stays the same one.
func TestPlanWritesTheFolderFromThere(t *testing.T) {
	t.Chdir(t.TempDir())
	for _, folder := range []string{"a", "b"} {
		if err := os.Mkdir(folder, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	planOutput(t, zincPlan("--write", filepath.Join("a", "cell.toml"))...)
	planOutput(t, "--config", filepath.Join("a", "cell.toml"), "--write", filepath.Join("b", "cell.toml"))
	c, err := configs.Load(filepath.Join("b", "cell.toml"))
	if err != nil || c.Data != filepath.Join("a", "nightcell-data") {
		t.Errorf("%+v, %v", c, err)
	}
}

// TestPlanFlagsReplace: a flag takes the place of everything in the file that says the same in another way.
func TestPlanFlagsReplace(t *testing.T) {
	file := filepath.Join(t.TempDir(), "cell.toml")
	planOutput(t, copperPlan("--write", file)...) // with a mass transfer
	stirred := planObject(t, "--config", file, "--stirring", "forced")
	if k := stirred["mass_transfer_metres_per_second"].(float64); k == 1e-5 {
		t.Errorf("k_m is still the %g m/s of the file", k)
	}
	zinc := filepath.Join("..", "..", "configs", "divided-zinc-overnight.toml") // with iron in its salts
	if others := planObject(t, "--config", zinc)["other_metals"].([]any); len(others) != 1 {
		t.Fatalf("other metals in the file: %v", others)
	}
	mass := planObject(t, "--config", zinc, "--metal-mass", "50 g")
	if others := mass["other_metals"].([]any); len(others) != 0 || mass["metal_in_bath_grams"] != 50.0 {
		t.Errorf("%v g beside %v", mass["metal_in_bath_grams"], others)
	}
}

// TestPlanMeterAlone: a gain that is stated alone brings no assumed offset with it. The half-width 0.1 % is a rectangle,
// 0.0577 % standard (JCGM 100, 4.3.7).
func TestPlanMeterAlone(t *testing.T) {
	doubt := func(args ...string) float64 {
		return planObject(t, zincPlan(args...)...)["target_charge_standard_uncertainty_coulombs"].(float64)
	}
	without, with := doubt(), doubt("--meter-gain", "1 %")
	charge := planObject(t, zincPlan()...)["target_charge_coulombs"].(float64)
	if got, want := math.Sqrt(with*with-without*without)/charge, 0.01/math.Sqrt(3); math.Abs(got/want-1) > 1e-6 {
		t.Errorf("the meter adds %g, by hand %g", got, want)
	}
}

// TestPlanWritesNoMistake: what the watch could not take is told instead of written.
func TestPlanWritesNoMistake(t *testing.T) {
	file := filepath.Join(t.TempDir(), "cell.toml")
	// An anolyte of its own needs a separator, which the plan of an undivided cell does not ask for by itself.
	_, err := runPlanCommand("--config", filepath.Join("..", "..", "configs", "single-cell.toml"), "--anolyte-medium", "sulfate", "--write", file)
	if err == nil || !strings.Contains(err.Error(), "bath.anolyte.medium") {
		t.Errorf("%v", err)
	}
	if _, err := os.Stat(file); err == nil {
		t.Error("a file was written all the same")
	}
}

// TestEveryPlanFlagReachesItsKey: each flag states a key that a configuration has, and what is wrong with its text is said
// of the flag.
func TestEveryPlanFlagReachesItsKey(t *testing.T) {
	for _, p := range planFlagList() {
		_, err := runPlanCommand("--"+p.Flag, "??")
		switch {
		case err == nil:
			t.Errorf("--%s ?? is taken", p.Flag)
		case strings.Contains(err.Error(), "no such key"):
			t.Errorf("--%s: %v", p.Flag, err)
		case !strings.Contains(p.Usage, "`") && !strings.Contains(err.Error(), "--"+p.Flag+": '??'"):
			t.Errorf("--%s is not named in %q", p.Flag, err)
		}
	}
}
