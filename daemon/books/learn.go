package books

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"

	"golang.org/x/sync/errgroup"

	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/learn"
)

// Lesson is what the runs of a cell taught.
type Lesson struct {
	learn.Lesson
	Notes []string // which runs taught nothing, and why, and what else is not taken
}

// Pupil reads what each run of a cell teaches once, until one of its files changes. The zero Pupil has read none; it is one goroutine's.
type Pupil struct{ read map[string]taught }

// taught is what a run teaches, nil if nothing, and why.
type taught struct {
	files   [3]stamp
	run     *learn.Run
	metal   string
	valence int
	left    string
}

// stamp is how a file was found.
type stamp struct{ bytes, nanos int64 }

func stamps(dir string) (all [3]stamp) {
	for i, name := range []string{runlog.LogName, runlog.LateName, runlog.FrozenName} {
		if info, err := os.Stat(filepath.Join(dir, name)); err == nil {
			all[i] = stamp{info.Size(), info.ModTime().UnixNano()}
		}
	}
	return all
}

// Learn reads every run of a cell that has ended and says what they teach. What is believed without them is what the table of
// metals has for the plan of the next, and its k_m; nil: nothing. A cell without runs teaches nothing, which is no error.
func (p *Pupil) Learn(data, cell string, next *bath.Plan) (Lesson, error) {
	dir := runlog.CellDir(data, cell)
	names, err := runlog.Runs(dir)
	if err != nil {
		return Lesson{}, err
	}
	all := make([]taught, len(names))
	group := new(errgroup.Group)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i, name := range names {
		run := filepath.Join(dir, name)
		all[i] = p.read[run]
		if files := stamps(run); files != all[i].files {
			group.Go(func() error {
				all[i] = teach(run)
				all[i].files = files
				return nil
			})
		}
	}
	_ = group.Wait() // none fails
	p.read = map[string]taught{}
	var l Lesson
	var runs []learn.Run
	for i, t := range all {
		p.read[filepath.Join(dir, names[i])] = t
		if t.run != nil && t.metal != "" && next != nil && (t.metal != next.Metal.String() || t.valence != next.Valence) {
			t.run, t.left = nil, "recovered another metal"
		}
		if t.run != nil {
			runs = append(runs, *t.run)
		} else {
			l.Notes = append(l.Notes, "run "+names[i]+" teaches nothing: it "+t.left)
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

// teach reads a run.
func teach(dir string) (t taught) {
	if tail, err := runlog.TailOf(dir); err == nil && !tail.Ended {
		t.left = "goes on"
		return t
	}
	b, err := Read(dir, nil)
	if err != nil || !b.Sound() {
		t.left = map[bool]string{true: "cannot be read", false: "is damaged"}[err != nil]
		return t
	}
	return b.teaches()
}

// teaches is what the account of a run that has ended teaches.
func (b *Books) teaches() (t taught) {
	a := b.Account
	r := &learn.Run{Name: b.Run, Volts: a.MeanVolts, Resistance: a.Resistance, Density: a.Density}
	t.run = r
	p := a.Plan
	if p == nil {
		return t
	}
	t.metal, t.valence = p.Metal.String(), p.Valence
	r.Area, r.Temperature, r.Medium = p.Conditions().CathodeArea, p.Conditions().Temperature, string(p.Medium)
	r.Cathode, r.Divided = b.Frozen.States.Cathode, b.Frozen.Divided()
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
	return t
}

// Taught is the configuration with what earlier runs of a cell gave, where it asks for that by efficiency.learned, and the lesson. The cell must exist.
func (p *Pupil) Taught(cfg *configs.Config, cell string) (*configs.Config, Lesson, error) {
	c := cfg.Cell(cell)
	plan, err := c.Plan(cfg.Supply(c.Supply))
	if err != nil || plan == nil || !c.Efficiency.Learned {
		return cfg, Lesson{}, err
	}
	l, err := p.Learn(cfg.Data, cell, plan)
	if err != nil {
		return cfg, l, fmt.Errorf("learning from the runs of cell %s: %w", cell, err)
	}
	taught, err := cfg.Taught(cell, l.Efficiency.Figure, l.MassTransfer.Figure)
	return taught, l, err
}
