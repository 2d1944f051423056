package books

import (
	"fmt"
	"path/filepath"
	"runtime"

	"golang.org/x/sync/errgroup"

	"nightcell/configs"
	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/learn"
)

// Lesson is what the runs of a cell taught.
type Lesson struct {
	learn.Lesson
	Notes []string // which runs taught nothing, and why, and what else is not taken
}

// Learn reads every run of a cell that has ended and says what they teach. What is believed without them is what the table of
// metals has for the plan of the next, and its k_m; nil: nothing. A cell without runs teaches nothing, which is no error.
func Learn(data, cell string, next *bath.Plan) (Lesson, error) {
	dir := cursor.CellDir(data, cell)
	names, err := cursor.Runs(dir)
	if err != nil {
		return Lesson{}, err
	}
	all, left := make([]*learn.Run, len(names)), make([]string, len(names))
	group := new(errgroup.Group)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, name := range names {
		group.Go(func() error {
			all[i], left[i] = taught(filepath.Join(dir, name), next)
			return nil
		})
	}
	_ = group.Wait() // none fails
	var l Lesson
	var runs []learn.Run
	for i, r := range all {
		if r != nil {
			runs = append(runs, *r)
		} else {
			l.Notes = append(l.Notes, "run "+names[i]+" teaches nothing: it "+left[i])
		}
	}
	var prior learn.Prior
	if next != nil {
		prior = learn.Prior{Efficiency: next.Usual(), MassTransfer: next.MassTransfer}
		if !prior.Efficiency.Known() {
			prior.Efficiency = next.Efficiency
		}
	}
	l.Lesson = learn.From(prior, runs)
	return l, nil
}

// taught is what a run teaches, or why it teaches nothing.
func taught(dir string, next *bath.Plan) (*learn.Run, string) {
	if tail, err := runlog.TailOf(dir); err == nil && !tail.Ended {
		return nil, "goes on"
	}
	b, err := Read(dir)
	if err != nil {
		return nil, "cannot be read"
	}
	a := b.Account
	switch {
	case !b.Sound():
		return nil, "is damaged"
	case next != nil && a.Plan != nil && (a.Plan.Metal.String() != next.Metal.String() || a.Plan.Valence != next.Valence):
		return nil, "won another metal"
	}
	r := &learn.Run{Name: b.Run, Volts: a.MeanVolts, Resistance: a.Resistance, Density: a.Density}
	p := a.Plan
	if p == nil {
		return r, ""
	}
	r.Area, r.Temperature, r.Medium = p.Conditions().CathodeArea, p.Conditions().Temperature, string(p.Medium)
	r.Cathode, r.Divided = b.Frozen.Electrodes.Cathode, b.Frozen.Electrodes.Divided()
	if f := a.Fit; f != nil && !f.AtLeast {
		r.MassTransfer = f.MassTransfer
	}
	// What the plan makes of the charge that flowed says how far the efficiency fell on the way and what a short took: the first stage
	// is to what the plan has as the found deposit is to the planned one.
	if planned := a.Planned(); a.Efficiency.Known() && planned.Value > 0 {
		by := p.Efficiency.Value * a.Totals.Charge * p.Metal.Equivalent(p.Valence).Value / planned.Value
		r.Efficiency = a.Efficiency
		r.Efficiency.Value *= by
		r.Efficiency.StandardUncertainty *= by
	}
	return r, ""
}

// Taught is the configuration with what earlier runs of a cell gave, where it asks for that by efficiency.learned, and the lesson. The cell must exist.
func Taught(cfg *configs.Config, cell string) (*configs.Config, Lesson, error) {
	c := cfg.Cell(cell)
	plan, err := c.Plan(cfg.Supply(c.Supply))
	if err != nil || plan == nil || !c.Efficiency.Learned {
		return cfg, Lesson{}, err
	}
	l, err := Learn(cfg.Data, cell, plan)
	if err != nil {
		return cfg, l, fmt.Errorf("learning from the runs of cell %s: %w", cell, err)
	}
	taught, err := cfg.Taught(cell, l.Efficiency.Figure, l.MassTransfer.Figure)
	return taught, l, err
}
