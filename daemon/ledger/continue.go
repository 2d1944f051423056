package ledger

import (
	"fmt"
	"math"
	"strings"
	"time"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/report"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// leastMetal is what a bath without metal is taken for, kg: a plan needs some.
const leastMetal = 1e-6

// NotFollowed says what no ledger of a bath knows from run to run.
const NotFollowed = "acid, pH, chloride and other metals; assay them before the next run, and state them in [bath]"

// Continued is a cell's configuration with what the ledgers of its bath and its cathode say in place of what it states.
type Continued struct {
	Frozen []byte        // for run.toml
	Cell   *configs.Cell // of Frozen
	Plan   *bath.Plan    // nil without bath and target
	Left   string        // such as "16.8 ± 0.4 g that are left in bath zinc-1"; empty: the bath is as stated
	Blank  string        // what the cathode weighs, and who says so, or that nobody does; empty: it has no name and no mass is stated
	Told   string        // what a person should know of it, with both figures; empty: nothing
}

// Continue settles what is due and lets the frozen configuration of a cell go on from what is left in its bath. Where there is no ledger
// yet, or it was closed, the bath is as the configuration states it. The error says why the ledger cannot be gone by; the bath is then as
// stated too, and somebody has to be told.
func Continue(data string, stated []byte, cell string, now time.Time, wait time.Duration) (Continued, error) {
	c, err := parsed(stated, cell)
	if err != nil || c.Plan == nil {
		return c, err
	}
	left, told, err := c.left(data, cell, now, wait)
	el, unread := ReadElectrode(data, c.Cell.Electrodes.CathodeName)
	if unread == nil && len(el.Problems) == 0 {
		left.CathodeMass = el.blank()
	}
	blank := blankWords(c.Cell, el, left.CathodeMass)
	on, wrong := c.from(stated, cell, left)
	if wrong != nil {
		err = fmt.Errorf("no plan can be made from what is left in bath %s, %s in %s: %w", c.Cell.Bath.Name, report.Show(left.Metal, report.Grams), report.Show(left.Volume, report.Litres), wrong)
		on, _ = c.from(stated, cell, configs.Left{CathodeMass: left.CathodeMass})
	}
	if on.Left != "" {
		on.Told = told
		if out := on.Cell.OutOfReach(); out != nil {
			on.Told = strings.TrimPrefix(fmt.Sprintf("%s; the target is out of reach of the %s: %v", told, on.Left, out), "; ")
		}
	}
	on.Blank = blank
	return on, err
}

// blankWords says what the next run takes for the mass of its cathode.
func blankWords(c *configs.Cell, el *Electrode, weighed matter.Figure) string {
	e := c.Electrodes
	switch {
	case e.CathodeMass.Value > 0:
		return report.Show(e.CathodeMass, report.Grams) + ", as the configuration states"
	case weighed.Known():
		return fmt.Sprintf("%s, as electrode %s weighed on %s", report.Show(weighed, report.Grams), el.Name, el.weighed.Local().Format(time.DateTime))
	case e.CathodeName == "":
		return ""
	case el == nil:
		return fmt.Sprintf("unknown: weigh the cathode, nightcell electrode open %s material=aluminium \"before=18.204 g\"", e.CathodeName)
	}
	return fmt.Sprintf("unknown, as electrode %s is now: weigh it, nightcell enter --electrode %s weighing \"before=18.204 g\"", e.CathodeName, e.CathodeName)
}

// left is what the ledger has of the bath; nothing where it is as stated.
func (c *Continued) left(data, cell string, now time.Time, wait time.Duration) (left configs.Left, told string, err error) {
	name := c.Cell.Bath.Name
	if Settle(data, now, wait) != nil { // other cells' troubles are theirs
		if err := Settle(data, now, wait, cell); err != nil {
			return left, "", fmt.Errorf("bath %s: %w", name, err)
		}
	}
	b, err := ReadBath(data, name)
	switch {
	case control.IsMistake(err) || err == nil && !b.Open && len(b.Problems) == 0:
		return left, "", nil
	case err != nil:
		return left, "", err
	case b.Side == nil || len(b.Problems) > 0:
		return left, "", fmt.Errorf("the ledger of bath %s cannot be used: %s. Move %s aside, or give the bath another name in [bath]", name, append(b.Problems, "it was never opened")[0], Dir(data, OfBath, name))
	case b.Stated.Metal != c.Plan.Metal.String():
		return left, "", fmt.Errorf("the ledger of bath %s holds %s, and the configuration states %s: end it with nightcell bath close %s, or give the other bath a name of its own", name, b.Words(), c.Plan.Metal.Element.Name, name)
	}
	left = configs.Left{Metal: b.Side.Metal(), Volume: b.Side.Volume(), Medium: string(c.Plan.Medium), Continues: b.Newest}
	left.Metal.Value = math.Max(left.Metal.Value, leastMetal)
	if b.Anolyte != nil {
		left.Anolyte = b.Anolyte.Volume()
	}
	return left, b.differs(books.StatedBy(c.Cell, c.Plan)), nil
}

// GoOn lets the frozen configuration of a cell go on from what its open run, in a directory, began with. What is entered into earlier runs
// while it goes on changes the ledger, but neither its bath nor its target.
func GoOn(runDir string, stated []byte, cell string) (Continued, error) {
	c, err := parsed(stated, cell)
	if err != nil || c.Plan == nil {
		return c, err
	}
	began, plan, err := books.Frozen(runDir, cell)
	if err != nil || plan == nil {
		return c, err
	}
	var left configs.Left
	if b := began.Bath; b.Continues != "" && plan.Metal.String() == c.Plan.Metal.String() { // else it began with the bath as stated
		left = configs.Left{Metal: b.MetalMass, Volume: b.Volume, Anolyte: b.AnolyteVolume, Medium: string(plan.Medium), Continues: b.Continues}
	}
	if began.Electrodes.CathodeMass.Value > 0 {
		left.CathodeMass = began.Electrodes.CathodeMass
	}
	on, err := c.from(stated, cell, left)
	if err != nil {
		return on, fmt.Errorf("no plan can be made from what bath %s held when the open run began: %w", c.Cell.Bath.Name, err)
	}
	return on, nil
}

// from is the configuration with what is left; as it is where nothing is told.
func (c *Continued) from(stated []byte, cell string, left configs.Left) (Continued, error) {
	if left == (configs.Left{}) {
		return *c, nil
	}
	frozen, err := configs.Continue(stated, cell, c.Plan.Metal.String(), left)
	if err != nil {
		return *c, err
	}
	on, err := parsed(frozen, cell)
	if err != nil {
		return *c, err
	}
	if left.Continues != "" {
		on.Left = fmt.Sprintf("%s that are left in bath %s", report.Show(left.Metal, report.Grams), c.Cell.Bath.Name)
	}
	return on, nil
}

func parsed(frozen []byte, cell string) (c Continued, err error) {
	cfg, err := configs.Parse("run.toml", frozen)
	if err != nil {
		return c, err
	}
	c.Frozen, c.Cell = frozen, cfg.Cell(cell)
	c.Plan, err = c.Cell.Plan(cfg.Supply(c.Cell.Supply))
	return c, err
}

// differs says how what the configuration states now is another bath than the one the ledger was opened with.
func (b *Bath) differs(now books.Stated) string {
	same := func(x, y float64) bool { return math.Abs(x-y) <= 1e-6*math.Max(math.Abs(x), math.Abs(y)) }
	if same(now.Mass, b.Stated.Mass) && same(now.Volume, b.Stated.Volume) {
		return ""
	}
	words := func(s books.Stated) string {
		return fmt.Sprintf("%s in %s", report.Show(matter.GivenFigure(s.Mass, s.MassDoubt), report.Grams), report.Show(matter.GivenFigure(s.Volume, s.VolumeDoubt), report.Litres))
	}
	return fmt.Sprintf("the configuration states %s, and bath %s was begun with %s and has %s left. What is left counts. If this is another bath: nightcell bath close %s, or another name in [bath]",
		words(now), b.Name, words(b.Stated), b.Words(), b.Name)
}
