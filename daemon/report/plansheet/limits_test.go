package plansheet

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/configs"
)

// TestCheckTellsABrokenLimit: no shipped example states a limit that its own plan is expected to break; a lower one is told, with the
// figure, and so is a supply that cannot put out the voltage and a density above its limit.
func TestCheckTellsABrokenLimit(t *testing.T) {
	notes := func(text string) string {
		c, err := configs.Parse("cells.toml", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		var all []string
		for i := range c.Cells {
			cell := &c.Cells[i]
			if p, err := cell.Plan(c.Supply(cell.Supply)); p != nil && err == nil {
				all = append(all, BrokenLimits(c.Supply(cell.Supply), cell, p)...)
			}
		}
		return strings.Join(all, "\n")
	}
	files, _ := filepath.Glob("../../../configs/*.toml")
	if len(files) < 5 {
		t.Fatal(files)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if got := notes(string(text)); got != "" {
			t.Errorf("%s: %s", file, got)
		}
	}
	text, _ := os.ReadFile("../../../configs/divided-zinc-overnight.toml")
	zinc := string(text)
	for _, c := range [][3]string{
		{`voltage = "7 V"`, `voltage = "4 V"`, "limits.voltage is 4 V, and the plan expects 5.3 to 6.3 V, most likely 5.6 V: the alarm will be raised"},
		{`voltage = "7 V"`, `voltage = "6 V"`, "limits.voltage is 6 V, within the expected"},
		{`range_voltage = "32 V"`, `range_voltage = "5 V"`, "the range of the supply is 5 V, and the plan expects"},
		{`voltage = "7 V"`, "voltage = \"7 V\"\ncurrent_density = \"4 A/dm2\"", "above limits.current_density"},
	} {
		if got := notes(strings.NewReplacer(c[0], c[1], `voltage = "7 V"`, "").Replace(zinc)); !strings.Contains(got, c[2]) {
			t.Errorf("%s: %q", c[1], got)
		}
	}
}
