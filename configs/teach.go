package configs

import (
	"fmt"
	"maps"
	"math"

	"github.com/BurntSushi/toml"

	"nightcell/integrate/matter"
)

// Teach writes what earlier runs gave into an efficiency table as it is decoded: the efficiency of the first stage, and where the table
// has a transport that limits it later, k_m in m/s. What is not Known stays as it is written.
func Teach(efficiency map[string]any, first, transfer matter.Figure) {
	_, given := efficiency["mass_transfer"]
	_, stirred := efficiency["stirring"]
	if first.Known() {
		delete(efficiency, "fixed")
		delete(efficiency, "initial")
		efficiency[map[bool]string{true: "initial", false: "fixed"}[given || stirred]] = stated(first, 100, "%")
	}
	if transfer.Known() && (given || stirred) {
		delete(efficiency, "stirring")
		efficiency["mass_transfer"] = stated(transfer, 1, "m/s")
	}
}

// TaughtVolts is a figure in V as a configuration states it; the half-width of its ± has the standard uncertainty of the figure.
func TaughtVolts(f matter.Figure) string { return stated(f, 1, "V") }

func stated(f matter.Figure, perSI float64, unit string) string {
	return fmt.Sprintf("%.5g %s ± %.2g %s", f.Value*perSI, unit, f.StandardUncertainty*math.Sqrt(3)*perSI, unit)
}

// Taught is the configuration with what earlier runs of a cell gave in its efficiency. The cell must exist.
func (c *Config) Taught(cell string, first, transfer matter.Figure) (*Config, error) {
	return c.relearned(cell, func(efficiency map[string]any) map[string]any {
		efficiency = maps.Clone(efficiency)
		Teach(efficiency, first, transfer)
		return efficiency
	})
}

// TaughtAs is the configuration with the efficiency of a cell as it stands in the frozen configuration of a run. The cell must exist.
func (c *Config) TaughtAs(cell string, frozen []byte) (*Config, error) {
	var run struct {
		Cell map[string]struct{ Efficiency map[string]any }
	}
	if _, err := toml.Decode(string(frozen), &run); err != nil {
		return nil, fmt.Errorf("reading the frozen configuration: %w", err)
	}
	return c.relearned(cell, func(map[string]any) map[string]any { return run.Cell[cell].Efficiency })
}

// relearned is the configuration with another efficiency of a cell.
func (c *Config) relearned(cell string, change func(map[string]any) map[string]any) (*Config, error) {
	tables := maps.Clone(c.source)
	cells := maps.Clone(tables["cell"].(map[string]any))
	own := maps.Clone(cells[cell].(map[string]any))
	efficiency, _ := own["efficiency"].(map[string]any)
	if tables["cell"], cells[cell], own["efficiency"] = cells, own, change(efficiency); len(own["efficiency"].(map[string]any)) == 0 {
		delete(own, "efficiency")
	}
	text, err := encoded(tables, "writing what earlier runs of cell "+cell+" taught")
	if err != nil {
		return nil, err
	}
	taught, err := Parse(c.file, text)
	if err != nil {
		return nil, fmt.Errorf("planning cell %s with what earlier runs gave: %w", cell, err)
	}
	return taught, nil
}
