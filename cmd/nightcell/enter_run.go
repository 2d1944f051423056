package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"text/tabwriter"
	"time"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/cursor"
	"nightcell/daemon/late"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

// place is the run that an entry goes into.
type place struct {
	dir    string // empty: the daemon alone knows
	isOpen bool   // it is the cell's newest run and has not ended, so that a watch may write it
}

// place finds a run of a cell: the one that is named by its directory or its beginning, else the newest.
func (r *reach) place(cell, run string) (place, error) {
	named := place{dir: runDirectory(run)}
	if r.config == "" {
		switch {
		case run == "" && r.socket != "":
			return place{isOpen: true}, nil
		case run == "" || !holdsLog(named.dir):
			return place{}, usagef("name the daemon or the run: --config FILE, --socket PATH, or --run with a directory that contains %s", runlog.LogName)
		}
		return named, nil
	}
	cfg, err := configs.Load(r.config)
	if err != nil {
		return place{}, usageError{err}
	}
	newest, ended, err := runlog.LatestRun(cfg.Data, cell)
	cells := cursor.CellDir(cfg.Data, cell)
	switch {
	case errors.Is(err, fs.ErrNotExist) && cfg.Cell(cell) == nil:
		var known []string
		for _, c := range cfg.Cells {
			known = append(known, c.Name)
		}
		return place{}, usagef("there is no cell %q; the cells are %v", cell, known)
	case errors.Is(err, fs.ErrNotExist) && run == "":
		return place{isOpen: true}, nil // the daemon says what is missing
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return place{}, err
	case run == "":
		return place{newest, !ended}, nil
	case filepath.Base(run) == run && holdsLog(filepath.Join(cells, run)):
		named.dir = filepath.Join(cells, run)
	case !holdsLog(named.dir):
		names, _ := cursor.Runs(cells) // only told
		return place{}, usagef("--run %s: cell %s has no such run; its newest are %v", run, cell, names[max(0, len(names)-5):])
	}
	a, errA := os.Stat(named.dir)
	b, errB := os.Stat(newest)
	named.isOpen = !ended && errA == nil && errB == nil && os.SameFile(a, b)
	return named, nil
}

func holdsLog(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, runlog.LogName))
	return err == nil
}

// name is how a run is called in a sentence.
func (p place) name() string { return filepath.Base(p.dir) }

// enter hands an entry to the watch that writes its run, or, where none does, writes it beside the log. beside tells which.
func (r *reach) enter(ctx context.Context, p place, e control.Entry) (done control.Entered, written control.Entry, beside bool, err error) {
	if p.dir == "" && (e.Kind == control.EntryPhoto || e.Kind == runlog.EntryRetract) {
		return done, e, false, usagef("a %s is kept beside a run's log: name the run with --config or --run", e.Kind)
	}
	var watch control.Operator
	if p.isOpen {
		if watch, err = r.client(); err != nil {
			return done, e, false, err
		}
	}
	done, written, beside, err = late.Hand(ctx, watch, p.dir, e, time.Now())
	return done, written, beside, mistake(err)
}

// mistake marks the operator's own mistakes as such, for the exit code.
func mistake(err error) error {
	if control.IsMistake(err) {
		return usageError{speak(err)}
	}
	return speak(err)
}

// listed is an entry as list prints it.
type listed struct {
	Name  string        `json:"name"`
	Entry control.Entry `json:"entry"`
	// Counts says that no other entry has taken it back.
	Counts bool `json:"counts"`
}

// listEntries prints what persons have entered into a run, oldest first.
func listEntries(out io.Writer, p place, asJSON bool) error {
	if p.dir == "" {
		return usagef("name the run whose entries to list: --config FILE or --run DIRECTORY")
	}
	all, err := runlog.PersonsEntries(p.dir)
	if err != nil {
		return readingError(err)
	}
	counts := make(map[string]bool)
	for _, r := range runlog.Counting(all) {
		counts[r.Name()] = true
	}
	list := []listed{}
	for _, r := range all {
		if r.Text("by") != "" {
			list = append(list, listed{r.Name(), control.EntryOf(&r), counts[r.Name()] || r.Text("kind") == runlog.EntryRetract})
		}
	}
	if asJSON {
		return printJSON(out, map[string]any{"run": p.dir, "entries": list})
	}
	if len(list) == 0 {
		_, err := fmt.Fprintf(out, "no entries in %s\n", p.name())
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tTIME\tKIND\tBY\tWHAT")
	for _, l := range list {
		what := l.Entry.Said()
		if !l.Counts {
			what += " (retracted)"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", l.Name, localTime(l.Entry.At), l.Entry.Kind, drivers.Plain(l.Entry.By), drivers.Plain(what))
	}
	return w.Flush()
}
