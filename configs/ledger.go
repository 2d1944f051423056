package configs

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/BurntSushi/toml"

	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/plan"
)

// ledgerName is the name of a bath or an electrode, if one is written.
func (t *table) ledgerName(key string) string {
	name := t.text(key, "")
	if t.has(key) && t.isText(key) && !Nameable(name) {
		t.bad(key, fmt.Sprintf("'%s' cannot be a name", name), nameRule)
		return ""
	}
	return name
}

// checkLedgers lets each bath and each electrode stand in one cell alone.
func (c *Cell) checkLedgers(t *table, taken map[string]string) {
	type use struct{ table, key, what, name string }
	uses := []use{{"electrodes", "cathode_name", "electrode", c.Electrodes.CathodeName}, {"electrodes", "anode_name", "electrode", c.Electrodes.AnodeName}}
	if c.Bath != nil {
		uses = append(uses, use{"bath", "name", "bath", c.Bath.Name})
	}
	for _, u := range uses {
		id := u.what + " " + strings.ToLower(u.name)
		switch other, twice := taken[id]; {
		case u.name == "":
			continue
		case twice && other == c.Name:
			t.orEmpty(u.table).bad(u.key, fmt.Sprintf("the %s %s is listed twice in this cell", u.what, u.name), "give each electrode a name of its own")
		case twice:
			t.orEmpty(u.table).bad(u.key, fmt.Sprintf("the %s %s is already listed in cell %s, and it cannot be in two places at once", u.what, u.name, other), "name another, or take it out of that cell")
		}
		taken[id] = c.Name
	}
}

// Left is what the ledgers of bath and cathode say of them before a run.
type Left struct {
	CathodeMass   matter.Figure // kg; not Known: as stated
	Metal, Volume matter.Figure // kg, m3
	Anolyte       matter.Figure // m3; not Known: as stated
	Medium        string
	Continues     string // the newest line of the ledger; empty: the bath is as stated
}

// Continue replaces in a frozen configuration what it states of a cell's metal and volumes by what is left. The salts of the metal go:
// it is stated once. What the cathode weighs is taken unless it is stated.
func Continue(frozen []byte, cell, metal string, left Left) ([]byte, error) {
	return changed(frozen, cell, func(of map[string]any) error {
		if e, ok := of["electrodes"].(map[string]any); ok && e["cathode_mass"] == nil && left.CathodeMass.Known() {
			e["cathode_mass"] = exactly(left.CathodeMass, "kg")
		}
		if left.Continues == "" {
			return nil
		}
		b, ok := of["bath"].(map[string]any)
		if !ok {
			return fmt.Errorf("the frozen configuration states no bath of cell %s", cell)
		}
		b["metal"], b["medium"], b["continues"] = metal, left.Medium, left.Continues
		b["metal_mass"], b["volume"] = exactly(left.Metal, "kg"), exactly(left.Volume, "m3")
		delete(b, "concentration")
		if salts, ok := b["salts"].([]any); ok {
			b["salts"] = slices.DeleteFunc(salts, func(row any) bool { return holds(row, metal) })
		}
		if rows, ok := b["salts"].([]map[string]any); ok {
			b["salts"] = slices.DeleteFunc(rows, func(row map[string]any) bool { return holds(row, metal) })
		}
		if left.Anolyte.Known() && left.Anolyte.Value > 0 {
			anolyte, ok := b["anolyte"].(map[string]any)
			if !ok {
				anolyte = map[string]any{}
				b["anolyte"] = anolyte
			}
			anolyte["volume"] = exactly(left.Anolyte, "m3")
		}
		return nil
	})
}

// changed changes the tables of a cell in a frozen configuration.
func changed(frozen []byte, cell string, change func(of map[string]any) error) ([]byte, error) {
	var tables map[string]any
	if err := toml.Unmarshal(frozen, &tables); err != nil {
		return nil, fmt.Errorf("the frozen configuration: %w", err)
	}
	cells, _ := tables["cell"].(map[string]any)
	of, _ := cells[cell].(map[string]any)
	if err := change(of); err != nil {
		return nil, err
	}
	return encoded(tables, "freezing the configuration of cell "+cell)
}

// holds says whether a salt holds the metal.
func holds(row any, metal string) bool {
	salt, _ := row.(map[string]any)
	text, _ := salt["formula"].(string)
	f, err := matter.ParseFormula(text)
	return err == nil && f.Count(metal) > 0
}

// exactly writes a figure so that it reads back to the same bits: ± is a half-width in a configuration.
func exactly(f matter.Figure, unit string) string {
	s := fmt.Sprintf("%s %s", digits(f.Value), unit)
	if half := f.StandardUncertainty * math.Sqrt(3); half > 0 {
		s += fmt.Sprintf(" ± %s %s", digits(half), unit)
	}
	return s
}

func digits(x float64) string { return strconv.FormatFloat(x, 'g', -1, 64) }

// ByVolume says that the metal is stated for a volume, so that its amount has the error of the volume.
func (b *Bath) ByVolume() bool {
	metal, _ := matter.LookUp(b.Metal)
	return b.Concentration.Known() || slices.ContainsFunc(b.Salts, func(s bath.Salt) bool {
		f, err := matter.ParseFormula(s.Formula)
		return err == nil && f.Count(metal.String()) > 0 && s.Concentration.Known()
	})
}

// follow is a plan for a bath that goes on and can no longer give what the target asks for. Where the bath is already as poor as is wanted
// the target is reached at once; else it is the charge that would win all that is left, so that the run is followed all the same.
func follow(o plan.Order, form string) (*bath.Plan, error) {
	o.Bath.Target = bath.Target{Form: bath.Charge, Value: matter.GivenFigure(1, 0)}
	p, err := plan.BathOf(o)
	if err != nil || form == bath.Concentration || form == bath.Marginal {
		return p, err
	}
	o.Bath.Target.Value = matter.GivenFigure(p.Amount.Value/p.Metal.Equivalent(p.Valence).Value/p.Efficiency.Value, 0)
	return plan.BathOf(o)
}

// OutOfReach says why what is left in a bath that goes on can no longer give what the target asks for; nil where it can.
func (c *Cell) OutOfReach() error {
	if c.Bath == nil || c.Target == nil || c.Bath.Continues == "" {
		return nil
	}
	_, err := bath.NewPlan(c.Order(nil))
	if !c.targetAlone(err) {
		return nil
	}
	return errors.New(bath.Mistakes(err)[0].Problem)
}

// targetAlone says that the target is all that is wrong with a bath that goes on.
func (c *Cell) targetAlone(err error) bool {
	all := bath.Mistakes(err)
	return len(all) == 1 && c.Bath.Continues != "" && strings.HasPrefix(keys[all[0].Field], "target")
}

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
	text, err := encoded(c.source, "writing what earlier runs of cell "+cell+" taught")
	if err == nil {
		text, err = changed(text, cell, func(of map[string]any) error {
			efficiency, _ := of["efficiency"].(map[string]any)
			efficiency = change(efficiency)
			if of["efficiency"] = efficiency; len(efficiency) == 0 {
				delete(of, "efficiency")
			}
			return nil
		})
	}
	if err != nil {
		return nil, err
	}
	taught, err := Parse(c.file, text)
	if err != nil {
		return nil, fmt.Errorf("planning cell %s with what earlier runs gave: %w", cell, err)
	}
	return taught, nil
}
