// Package ledger keeps what outlives a run: baths and electrodes, each a file of its own below the data directory whose lines
// are chained and vouched for as late entries are (runlog.LateWriter). A run that has ended stands there in one line; how a bath
// stands follows from the lines, and from the late entries of the runs that they name, so that nothing is ever written over.
package ledger

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
)

// Kind is what a ledger is of.
type Kind string

// The kinds of ledgers, which are words of sentences too.
const (
	OfBath      Kind = "bath"
	OfElectrode Kind = "electrode"
)

// The kinds of lines that nightcell itself writes; others are entries of persons.
const (
	lineOpen  = "open"  // what there is to begin with
	lineRun   = "run"   // what a run took, or brought
	lineClose = "close" // discarded, or spent
)

// The names of fields of lineRun: the figures stand in taking, for nightcell; deposit and charge beside it are for readers of the file.
const (
	ofCell     = "of" // the cell; the tag cell names the ledger
	runName    = "run"
	takingText = "taking"
	opensFlag  = "opens" // the run began a new filling, from what its configuration states
	roleText   = "role"
)

// Dir is the folder of a ledger.
func Dir(data string, k Kind, name string) string { return filepath.Join(data, string(k)+"s", name) }

// Names lists the ledgers of a kind.
func Names(data string, k Kind) ([]string, error) {
	entries, err := os.ReadDir(filepath.Join(data, string(k)+"s"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("looking for ledgers: %w", err)
	}
	var names []string
	for _, e := range entries {
		if _, err := os.Stat(filepath.Join(Dir(data, k, e.Name()), runlog.LedgerName)); err == nil {
			names = append(names, e.Name())
		}
	}
	return names, nil
}

// unknown is the error for a ledger that is not there.
func unknown(data string, k Kind, name string) error {
	names, _ := Names(data, k)
	known := fmt.Sprintf("there is none yet; the first run of a cell that names it opens it, or nightcell %s open %s", k, name)
	if len(names) > 0 {
		known = fmt.Sprintf("those that have a ledger are %v", names)
	}
	return control.Unknown("there is no %s %q: %s", k, name, known)
}

// read returns the lines of a ledger that count, oldest first, and all of them.
func read(data string, k Kind, name string) (counting []runlog.Record, all *runlog.Late, err error) {
	all, err = runlog.ReadLedger(Dir(data, k, name))
	switch {
	case err != nil:
		return nil, nil, err
	case len(all.Records) == 0 && all.Sound():
		return nil, nil, unknown(data, k, name)
	}
	return runlog.Counting(all.Records), all, nil
}

// taking reads back what a line of a run says.
func taking(r *runlog.Record) (*books.Taking, error) {
	t := new(books.Taking)
	if err := json.Unmarshal([]byte(r.Text(takingText)), t); err != nil {
		return nil, fmt.Errorf("the line of run %s: %w", r.Text(runName), err)
	}
	return t, nil
}

// Settle writes into the ledgers what the runs took that have ended and are not there yet, each once, whoever does it and however often
// it is broken off. now is the time of the machine, wait how long another writer is waited for; of the runs those of the cells alone count, where
// any are named. What can be done is done; the error joins what could not.
func Settle(data string, now time.Time, wait time.Duration, of ...string) error {
	names, err := Names(data, OfBath)
	if err != nil {
		return err
	}
	newest := map[string]string{} // by cell: the newest run in any ledger
	for _, name := range names {
		all, err := runlog.ReadLedger(Dir(data, OfBath, name))
		if err != nil {
			return err
		}
		for _, r := range all.Records {
			if r.Text("kind") == lineRun {
				newest[r.Text(ofCell)] = max(newest[r.Text(ofCell)], r.Text(runName))
			}
		}
	}
	cells, err := os.ReadDir(filepath.Join(data, "runs"))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("looking for runs: %w", err)
	}
	var taken []*books.Taking
	var failed []error
	for _, cell := range cells {
		if !cell.IsDir() || len(of) > 0 && !slices.Contains(of, cell.Name()) {
			continue
		}
		found, err := unsettled(data, cell.Name(), newest[cell.Name()])
		taken, failed = append(taken, found...), append(failed, err)
	}
	slices.SortStableFunc(taken, func(a, b *books.Taking) int { return cmp.Compare(a.Began, b.Began) })
	for _, t := range taken {
		failed = append(failed, settle(data, t, now, wait))
	}
	return errors.Join(failed...)
}

// unsettled works out what the runs of a cell took that are newer than the one called after. Where the cell has none in any ledger the
// newest counts alone: the ones before come from a time without ledgers.
func unsettled(data, cell, after string) (taken []*books.Taking, err error) {
	dir := runlog.CellDir(data, cell)
	names, err := runlog.Runs(dir)
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	looked := false
	for _, name := range slices.Backward(names) {
		if name <= after || after == "" && looked {
			break
		}
		run := filepath.Join(dir, name)
		tail, wrong := runlog.TailOf(run)
		if wrong != nil || !tail.Ended {
			continue // goes on, or was never one
		}
		t, wrong := books.TakingOf(run)
		looked = looked || !errors.Is(wrong, books.ErrImported)
		switch {
		case errors.Is(wrong, books.ErrNoTaking):
		case wrong != nil:
			err = errors.Join(err, fmt.Errorf("what run %s of cell %s took is unknown: %w", name, cell, wrong))
		default:
			taken = append(taken, t)
		}
	}
	return taken, err
}

// settle writes the lines of one run: that of the bath last, by which the run counts as done.
func settle(data string, t *books.Taking, now time.Time, wait time.Duration) error {
	for _, role := range []struct{ name, role string }{{t.Cathode, "cathode"}, {t.Anode, "anode"}} {
		if role.name == "" {
			continue
		}
		err := write(data, OfElectrode, role.name, wait, func(w *runlog.LateWriter) error {
			return line(t, w, now, runlog.Text(roleText, role.role), runlog.Text(string(OfBath), t.Bath))
		})
		if err != nil {
			return err
		}
	}
	return write(data, OfBath, t.Bath, wait, func(w *runlog.LateWriter) error {
		b := standing(data, t.Bath, runlog.Counting(w.Records))
		// A run that began as stated, since the ledger could not be read for a moment, took from this bath all the same where it can have: else
		// it began another filling.
		goesOn := t.Continues != "" || len(b.Problems) == 0 && b.Stated.Metal == t.Stated.Metal && b.Side.Volume().Value > 0 && b.Side.Metal().Value > leastMetal
		return line(t, w, now, runlog.Flag(opensFlag, !b.Open || !goesOn))
	})
}

// line writes the line of a run, if it does not stand there.
func line(t *books.Taking, w *runlog.LateWriter, now time.Time, more ...runlog.Field) error {
	if slices.ContainsFunc(w.Records, func(r runlog.Record) bool {
		return r.Text("kind") == lineRun && r.Text(ofCell) == t.Cell && r.Text(runName) == t.Run
	}) {
		return nil
	}
	text, err := json.Marshal(t)
	if err != nil {
		return fmt.Errorf("putting into words what run %s took: %w", t.Run, err)
	}
	fields := append(more, runlog.Text(ofCell, t.Cell), runlog.Text(runName, t.Run), runlog.Integer("began", t.Began), runlog.Integer("ended", t.Ended),
		runlog.Number("charge_coulombs", t.Charge), runlog.Text("log_sha256", t.SHA256), runlog.Text(takingText, string(text)))
	_, err = w.Append(now, lineRun, fmt.Sprintf("run %s of cell %s", t.Run, t.Cell), fields...)
	return err
}

// isOpen says whether a bath, or an electrode, is there to be used.
func isOpen(lines []runlog.Record) bool {
	for _, r := range slices.Backward(lines) {
		switch r.Text("kind") {
		case lineClose:
			return false
		case lineOpen, lineRun:
			return true
		}
	}
	return false
}

// write opens a ledger for one act.
func write(data string, k Kind, name string, wait time.Duration, act func(*runlog.LateWriter) error) (err error) {
	w, err := runlog.OpenLedger(Dir(data, k, name), name, wait)
	if err != nil {
		return fmt.Errorf("%s %s: %w", k, name, err)
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	return act(w)
}

// InUse returns the open run that stands in a bath, or that an electrode stands in; empty: none does.
func InUse(data string, k Kind, name string) (cell, run string, err error) {
	cells, err := os.ReadDir(filepath.Join(data, "runs"))
	if errors.Is(err, fs.ErrNotExist) {
		return "", "", nil
	}
	if err != nil {
		return "", "", err
	}
	for _, c := range cells {
		dir, ended, err := runlog.LatestRun(data, c.Name())
		if errors.Is(err, fs.ErrNotExist) || err == nil && ended {
			continue
		}
		if err != nil {
			return "", "", err
		}
		if of, _, _ := books.Frozen(dir, c.Name()); of != nil && names(of, k, name) {
			return c.Name(), filepath.Base(dir), nil
		}
	}
	return "", "", nil
}

// names says whether a cell names a bath, or an electrode.
func names(c *configs.Cell, k Kind, name string) bool {
	if k == OfBath {
		return c.Bath != nil && strings.EqualFold(c.Bath.Name, name)
	}
	return strings.EqualFold(c.Electrodes.CathodeName, name) || strings.EqualFold(c.Electrodes.AnodeName, name)
}

// Verify checks the ledger in a directory: its lines, and that the log of every run that it names is the one whose digest it took down.
func Verify(dir string) (all *runlog.Late, wrong []string, err error) {
	if all, err = runlog.ReadLedger(dir); err != nil {
		return nil, nil, err
	}
	data := filepath.Dir(filepath.Dir(filepath.Clean(dir)))
	for i := range all.Records {
		if r := &all.Records[i]; r.Text("kind") == lineRun {
			t, err := taking(r)
			if err != nil {
				wrong = append(wrong, err.Error())
			} else if said := t.Check(runDir(data, t)); said != "" {
				wrong = append(wrong, said)
			}
		}
	}
	return all, wrong, nil
}
