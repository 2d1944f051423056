package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
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
	if r.config == "" {
		switch dir := runDirectory(run); {
		case run == "" && r.socket != "":
			return place{isOpen: true}, nil
		case run == "":
			return place{}, usagef("say which daemon or run is meant: --config FILE, --socket PATH or --run DIRECTORY")
		case holdsLog(dir):
			return place{dir: dir}, nil
		}
		return place{}, usagef("--run %s: there is no directory with a %s; a run is named by its directory, or with --config by its beginning, such as 20260110T200000Z", run, runlog.LogName)
	}
	cfg, err := configs.Load(r.config)
	if err != nil {
		return place{}, usageError{err}
	}
	newest, ended, err := runlog.LatestRun(cfg.Data, cell)
	cells := cursor.CellDir(cfg.Data, cell)
	names, listErr := cursor.Runs(cells)
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
		run = filepath.Join(cells, run)
	case !holdsLog(runDirectory(run)):
		if len(names) == 0 {
			names = []string{"none"}
		}
		return place{}, errors.Join(usagef("--run %s: cell %s has no such run; its newest are %s", run, cell, strings.Join(names[max(0, len(names)-5):], ", ")), listErr)
	}
	a, errA := os.Stat(runDirectory(run))
	b, errB := os.Stat(newest)
	return place{runDirectory(run), !ended && errA == nil && errB == nil && os.SameFile(a, b)}, nil
}

func holdsLog(dir string) bool {
	_, err := os.Stat(filepath.Join(dir, runlog.LogName))
	return err == nil
}

// name is how a run is called in a sentence.
func (p place) name() string { return filepath.Base(p.dir) }

// size is how long the log is now.
func (p place) size() int64 {
	info, err := os.Stat(filepath.Join(p.dir, runlog.LogName))
	if p.dir == "" || err != nil {
		return 0
	}
	return info.Size()
}

// nameSince finds the name of an entry that was written into the log from an offset on; empty: it is not found.
func (p place) nameSince(offset int64, e control.Entry) (name string) {
	if p.dir == "" {
		return ""
	}
	r, err := runlog.Open(p.dir)
	if err != nil {
		return ""
	}
	defer r.Close()
	err = r.SeekTo(offset)
	var rec runlog.Record
	var d *runlog.Damage
	for err == nil || errors.As(err, &d) {
		if err = r.Next(&rec); err == nil && rec.Kind == runlog.KindEntry && rec.Text("kind") == e.Kind && rec.Text("by") == drivers.Plain(e.By) {
			name = rec.Name()
		}
	}
	return name
}

// enter hands an entry to the watch that writes its run, or, where none does, writes it beside the log. beside tells which.
func (r *reach) enter(ctx context.Context, p place, e control.Entry) (done control.Entered, written control.Entry, beside bool, err error) {
	if e.Kind == control.EntryPhoto {
		if p.dir == "" {
			return done, e, false, usagef("a photo is copied in beside the log of a run: say which with --config or --run")
		}
		if e, err = late.Photo(p.dir, e); err != nil {
			return done, e, false, mistake(err)
		}
	}
	if p.isOpen && e.Kind != runlog.EntryRetract {
		from := p.size()
		err := r.ask(ctx, func(ctx context.Context, c *control.Client) (err error) {
			done, err = c.Enter(ctx, e)
			return err
		})
		if p.dir == "" || !errors.Is(err, control.ErrNobody) {
			if err == nil {
				done.Name = p.nameSince(from, e)
			}
			return done, e, false, err
		}
	}
	if p.dir == "" {
		return done, e, false, usagef("an entry is taken back beside the log of its run: say which with --config or --run")
	}
	done, err = late.Enter(p.dir, e, time.Now())
	return done, e, true, mistake(err)
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
		return usagef("the entries of which run? Say --config FILE or --run DIRECTORY")
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
		_, err := fmt.Fprintf(out, "nobody has entered anything into %s\n", p.name())
		return err
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tTIME\tKIND\tBY\tWHAT")
	for _, l := range list {
		what := entryWords(l.Entry)
		if !l.Counts {
			what += " (taken back)"
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", l.Name, localTime(l.Entry.At), l.Entry.Kind, drivers.Plain(l.Entry.By), drivers.Plain(what))
	}
	return w.Flush()
}

// entryWords writes figures and words of an entry as they were given, in handy units.
func entryWords(e control.Entry) string {
	var said []string
	k, _ := control.KindOfEntry(e.Kind)
	for _, f := range k.Fields {
		for _, u := range f.Units {
			if x, ok := e.Numbers[u.Log]; ok {
				said = append(said, f.Name+"="+digitWords(u.Dimension, x, 7))
			}
		}
		if word, ok := e.Words[f.Name]; ok && f.Name != "sha256" {
			said = append(said, f.Name+"="+word)
		}
	}
	if len(k.Fields) == 0 { // a settlement
		for _, name := range slices.Sorted(maps.Keys(e.Numbers)) {
			said = append(said, fmt.Sprintf("%s=%.6g", name, e.Numbers[name]))
		}
	}
	return strings.TrimSpace(strings.Join(append(said, e.Text), " "))
}
