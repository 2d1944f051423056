package main

import (
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
		"fit": {"--metal", "Cu", "--medium", "sulfate", "--concentration", "40 g/L", "--volume", "2 L", "--leave", "2 g/L", "--efficiency", "95 %", "--stirring", "bubble",
			"--current", "4 A", "--cathode-area", "2 dm2", "--assayed", "0 h, 0 A h, 40 g/L", "--assayed", "14.2 h, 56.8 A h, 8 g/L", "--assayed", "18.1 h, 72.6 A h, 2 g/L"},
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
	if _, err := runPlanCommand(zincPlan("--write", file)...); err == nil || !strings.Contains(err.Error(), "is not overwritten") {
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
		_, err := runPlanCommand("--"+p.name, "??")
		switch {
		case err == nil:
			t.Errorf("--%s ?? is taken", p.name)
		case strings.Contains(err.Error(), "no such key"):
			t.Errorf("--%s: %v", p.name, err)
		case p.dims != nil && !strings.Contains(err.Error(), "--"+p.name+": '??'"):
			t.Errorf("--%s is not named in %q", p.name, err)
		}
	}
}
