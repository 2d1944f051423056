package watch

import (
	"log/slog"
	"os"
	"strings"
	"testing"

	"nightcell/configs"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
)

// chemistryOf is what a watch learns from the shipped example with its salts and its anolyte changed.
func chemistryOf(t *testing.T, salt, anolyte string) Settings {
	t.Helper()
	text, err := os.ReadFile("../../configs/divided-zinc-overnight.toml")
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.Replace(string(text), `[{ formula = "FeSO4", concentration = "8.2 g/L" }]`, `[`+salt+`]`, 1)
	changed = strings.Replace(changed, "[cell.zinc-1.bath.anolyte]\n", "[cell.zinc-1.bath.anolyte]\n"+anolyte+"\n", 1)
	if changed == string(text) {
		t.Fatal("the example reads otherwise")
	}
	cfg, err := configs.Parse("example.toml", []byte(changed))
	if err != nil {
		t.Fatal(err)
	}
	s, err := SettingsOf(cfg, &cfg.Cells[0], &scpi.Rack{}, drivers.NewClock(1), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// A spent pickle holds iron, which carries current from electrode to electrode at fewer volts than water needs: with the
// floor of water alone a sound cell would be called short.
func TestOtherMetalsLowerTheFloor(t *testing.T) {
	pure := chemistryOf(t, "", "").Chemistry.FloorVolts
	iron := chemistryOf(t, `{ formula = "FeSO4·7H2O", mass = "20 g" }`, "").Chemistry.FloorVolts
	if !(pure > 1.229 && iron < 1.229 && iron > 0.7) { // water: 1.229 V by its Gibbs energy (CODATA); Fe3+/Fe2+: 0.771 V
		t.Errorf("the floor is %.2f V, with iron %.2f V", pure, iron)
	}
}

// What the salts and the anolyte bring decides what the anode makes.
func TestTheAnolyteDecidesTheGas(t *testing.T) {
	for _, c := range []struct {
		name, salt, anolyte string
		gas                 string
	}{
		{"as the bath", "", "", "oxygen"},
		{"chloride before the anode", "", `medium = "chloride"`, "chlorine"},
	} {
		s := chemistryOf(t, c.salt, c.anolyte)
		if s.AnodeGas != c.gas || s.Chemistry.ChlorineAtAnode != (c.gas == "chlorine") {
			t.Errorf("%s: %s, chlorine %v", c.name, s.AnodeGas, s.Chemistry.ChlorineAtAnode)
		}
	}
}
