package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/late"
	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

func newEnterCommand(s *shell) *cobra.Command {
	r := &reach{}
	var run, bathName, electrode, data string
	var certain bool
	var at time.Time
	cmd := newCommand("enter", func(cmd *cobra.Command, args []string) error {
		of, name := ledger.OfBath, bathName
		if electrode != "" {
			of, name = ledger.OfElectrode, electrode
		}
		switch {
		case bathName != "" && electrode != "", name != "" && run != "":
			return usagef("--bath, --electrode and --run each name where the entry goes: keep one of them")
		case name != "":
			args = append([]string{""}, args...)
		case len(args) == 1:
			return usagef("1 argument given; usage: nightcell enter CELL KIND [NAME=VALUE ...] [TEXT]")
		}
		cell, kind := args[0], args[1]
		values, text := splitArguments(args[2:])
		side, sided := values[ledger.Side]
		if sided && name != "" && kind != "level" {
			delete(values, ledger.Side)
		}
		if kind == runlog.EntryRetract && values[runlog.RetractedEntry] == "" {
			values[runlog.RetractedEntry], text, _ = strings.Cut(text, " ")
		}
		var err error
		var entry control.Entry
		if kind != "list" {
			if entry, err = control.ParseEntry(kind, values, text); err != nil {
				return usageError{err}
			}
		}
		if name != "" {
			if sided {
				entry.Words[ledger.Side] = side
			}
			entry.By, entry.Certain, entry.At = r.who(), certain, at
			return s.enterLedger(&dataFlags{data, r.config}, of, name, kind, entry)
		}
		where, err := r.place(cell, run)
		switch {
		case err != nil:
			return err
		case kind == "list":
			return s.listEntries(where)
		}
		entry.Cell, entry.By, entry.Certain, entry.At = cell, r.who(), certain, at
		done, beside, err := r.enter(cmd.Context(), where, entry)
		if err != nil {
			return contradicted(err)
		}
		said := fmt.Sprintf("%s entered for %s", kind, cell)
		if done.Name != "" {
			said += " as " + done.Name
		}
		if beside {
			said += ", beside the log of " + where.name()
		}
		return s.showEntered(said, done)
	})
	cmd.Long += "\n\n" + describeKinds()
	r.addFlags(cmd)
	cmd.Flags().StringVar(&bathName, "bath", "", "record in the ledger of the bath of this `name`")
	cmd.Flags().StringVar(&electrode, "electrode", "", "record in the ledger of the electrode of this `name`")
	cmd.Flags().StringVar(&data, "data", "", "data `directory` of the ledger, instead of --config")
	cmd.Flags().BoolVar(&certain, "certain", false, "record the entry although it contradicts the mass balance")
	timeFlag(cmd.Flags(), &at, "at", false, "`time` of the observation, such as \"2026-03-01 22:15\" (local) or 2026-03-01T22:15:00+01:00 (default: now)")
	cmd.Flags().StringVar(&run, "run", "", "`run` by directory or start, such as 20260110T200000Z (default: the open run, else the last)")
	return cmd
}

// showEntered tells what came of an entry.
func (s *shell) showEntered(said string, done control.Entered) error {
	return s.table(func(w io.Writer) {
		for _, line := range append([]string{said}, done.Notes...) {
			fmt.Fprintln(w, drivers.Plain(line))
		}
	})
}

// contradicted says how an entry that contradicts the books is taken all the same.
func contradicted(err error) error {
	if control.IsContradiction(err) {
		return fmt.Errorf("%w. If the entry is right, repeat it with --certain", err)
	}
	return err
}

// describeKinds lists the kinds with their fields.
func describeKinds() string {
	var b strings.Builder
	for _, k := range control.EntryKinds() {
		fmt.Fprintf(&b, "  %-12s %s", k.Name, k.About)
		if len(k.Fields) > 0 {
			fmt.Fprintf(&b, ": %s", k.FieldNames())
		}
		b.WriteByte('\n')
	}
	fmt.Fprintf(&b, "  %-12s %s\n", "list", "list the entries and their names")
	return b.String()
}

// splitArguments parts NAME=VALUE from the words of a text.
func splitArguments(args []string) (values map[string]string, text string) {
	values = map[string]string{}
	var words []string
	for _, a := range args {
		if name, value, found := strings.Cut(a, "="); found && name != "" && !strings.ContainsAny(name, " \t") {
			values[name] = value
		} else {
			words = append(words, a)
		}
	}
	return values, strings.Join(words, " ")
}

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
	switch cells := runlog.CellDir(cfg.Data, cell); {
	case errors.Is(err, fs.ErrNotExist) && cfg.Cell(cell) == nil:
		return place{}, usagef("there is no cell %q; the cells are %s", cell, strings.Join(cfg.CellNames(), ", "))
	case errors.Is(err, fs.ErrNotExist) && run == "":
		return place{isOpen: true}, nil // the daemon says what is missing
	case err != nil && !errors.Is(err, fs.ErrNotExist):
		return place{}, err
	case run == "":
		return place{newest, !ended}, nil
	case filepath.Base(run) == run && holdsLog(filepath.Join(cells, run)):
		named.dir = filepath.Join(cells, run)
	case !holdsLog(named.dir):
		names, _ := runlog.Runs(cells) // only told
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
func (r *reach) enter(ctx context.Context, p place, e control.Entry) (done control.Entered, beside bool, err error) {
	if p.dir == "" && (e.Kind == control.EntryPhoto || e.Kind == runlog.EntryRetract) {
		return done, false, usagef("a %s is kept beside a run's log: name the run with --config or --run", e.Kind)
	}
	watch, err := r.watchOf(p)
	if err != nil {
		return done, false, err
	}
	done, beside, err = late.Hand(ctx, watch, p.dir, e, time.Now())
	return done, beside, mistake(err)
}

// watchOf is the watch that may write a run; nil: none does.
func (r *reach) watchOf(p place) (*control.Operator, error) {
	if !p.isOpen {
		return nil, nil
	}
	return r.client()
}

// mistake marks the operator's own mistakes as such, for the exit code.
func mistake(err error) error {
	if control.IsMistake(err) {
		return usageError{speak(err)}
	}
	return speak(err)
}

// listEntries prints what persons have entered into a run, oldest first.
func (s *shell) listEntries(p place) error {
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
	return s.table(func(w io.Writer) {
		if len(all) == 0 {
			fmt.Fprintf(w, "no entries in %s\n", p.name())
			return
		}
		fmt.Fprintln(w, "NAME\tTIME\tKIND\tBY\tWHAT")
		for i := range all {
			e := control.EntryOf(&all[i])
			what := e.Said()
			if !counts[all[i].Name()] && e.Kind != runlog.EntryRetract {
				what += " (retracted)"
			}
			fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", all[i].Name(), localTime(e.At), e.Kind, drivers.Plain(e.By), drivers.Plain(what))
		}
	})
}

// timeFlag is a flag that takes a time with its zone, or on the clock of this place, or a date where a day is enough, which then begins at midnight UTC.
func timeFlag(flags *pflag.FlagSet, into *time.Time, name string, date bool, usage string) {
	flags.Func(name, usage, func(text string) (err error) {
		if *into, err = time.Parse(time.DateOnly, text); date && err == nil {
			return nil
		}
		for _, form := range [...]string{time.DateTime, "2006-01-02 15:04", time.RFC3339} {
			if *into, err = time.ParseInLocation(form, text, time.Local); err == nil {
				return nil
			}
		}
		return err
	})
}
