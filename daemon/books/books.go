// Package books reads the files of a run into its account, lists the runs of a data directory, and takes in runs that were
// measured elsewhere. Nothing here changes a run that exists.
package books

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/account"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// File is one of the files that an account rests on.
type File struct {
	Name   string
	Bytes  int64
	SHA256 string // hexadecimal; "" if there is no such file
}

// Books are what the files of a run tell.
type Books struct {
	Run     string // the name of its folder
	Log     *runlog.Report
	Late    *runlog.Late
	Files   []File        // log, late entries, frozen configuration
	Frozen  *configs.Cell // of the frozen configuration; nil where it states nothing or cannot be read
	Account *account.Account

	imported bool            // it was measured elsewhere
	persons  []runlog.Record // entries of persons in the log, but for those that settle a gap
}

// Sound says whether everything in log and late entries is as it was written.
func (b *Books) Sound() bool { return b.Log.Sound() && b.Late.Sound() }

// Read reads the run in a directory. What is wrong inside its files is in Log, Late and the account's notes; the error
// tells of a run that is not there or a disk that cannot be read.
func Read(runDir string, seen io.Writer) (*Books, error) {
	b := &Books{Run: filepath.Base(runDir), Files: make([]File, 3)}
	var group errgroup.Group
	for i, name := range []string{runlog.LogName, runlog.LateName, runlog.FrozenName} {
		group.Go(func() (err error) {
			if b.Files[i], err = sum(runDir, name, math.MaxInt64); errors.Is(err, fs.ErrNotExist) {
				return nil
			}
			return err
		})
	}
	run, totals, err := b.gather(runDir, seen)
	if err = errors.Join(err, group.Wait()); err != nil {
		return nil, err
	}
	if b.Log.Cell == "" {
		return nil, fmt.Errorf("%s is not a run: no line of its log can be read as a record of a cell", runDir)
	}
	subject := account.Subject{Totals: totals, Ended: b.Log.Ended}
	if b.Log.Carried != nil {
		subject.Carried = b.Log.Carried.Charge
	}
	problem := b.freeze(runDir, &subject)
	b.Account = run.Account(subject)
	if problem != nil {
		b.Account.Notes = append(b.Account.Notes, problem.Error())
	}
	return b, nil
}

// sum is the digest of a file, or of so many bytes of it.
func sum(runDir, name string, most int64) (File, error) {
	f, err := os.Open(filepath.Join(runDir, name))
	if err != nil {
		return File{Name: name}, fmt.Errorf("reading a file of the run: %w", err)
	}
	h := sha256.New()
	n, err := io.Copy(h, io.LimitReader(f, most))
	if err = errors.Join(err, f.Close()); err != nil {
		return File{}, fmt.Errorf("reading %s: %w", name, err)
	}
	return File{name, n, hex.EncodeToString(h.Sum(nil))}, nil
}

// Frozen reads what the frozen configuration of a run states of its cell, and the plan that follows from it: nil where none
// does. The cell is nil where the configuration is empty or cannot be read.
func Frozen(runDir, cellName string) (*configs.Cell, *bath.Plan, error) {
	data, err := os.ReadFile(filepath.Join(runDir, runlog.FrozenName))
	if err != nil || len(data) == 0 {
		return nil, nil, err
	}
	cfg, err := configs.Parse(runlog.FrozenName, data)
	if err != nil {
		return nil, nil, fmt.Errorf("the frozen configuration cannot be read, so the bath is unknown: %w", err)
	}
	cell := cfg.Cell(cellName)
	if cell == nil {
		return nil, nil, fmt.Errorf("the frozen configuration has no cell %s, so the bath is unknown", cellName)
	}
	plan, err := cell.Plan(cfg.Supply(cell.Supply))
	return cell, plan, err
}

// freeze fills in what the frozen configuration states.
func (b *Books) freeze(runDir string, s *account.Subject) error {
	cell, plan, err := Frozen(runDir, b.Log.Cell)
	b.Frozen = cell
	if cell == nil {
		return err
	}
	if kwh := cell.States.Price; kwh.Known() {
		s.Price = matter.GivenFigure(kwh.Value, 0)
	}
	if s.Plan = plan; plan == nil || err != nil {
		return err
	}
	if t := s.Totals; t.Observed > 0 {
		conditions := cell.Conditions(s.Plan, t.ObservedCharge/t.Observed.Seconds())
		s.Cell = &conditions
	}
	return nil
}

// gather streams log and late entries into the account's run, in constant memory, and returns where the count ends once late
// corrections are made.
func (b *Books) gather(runDir string, seen io.Writer) (*account.Run, integrate.Totals, error) {
	run := new(account.Run)
	followed, mark := make(map[string]bool), "" // late entries whose correction the watch wrote into the log, where a newer one may stand behind it
	var replay *runlog.Replay
	var err error
	b.Log, err = runlog.ReplayEach(runDir, func(r *runlog.Record, p *runlog.Replay) error {
		replay = p
		before := mark // of the line before
		if mark = ""; r.Kind == runlog.KindEntry {
			switch r.Text("kind") {
			case "followed":
				mark = r.Text(runlog.RetractedEntry)
			case runlog.EntryZero, runlog.EntryCheck, runlog.EntrySettle:
				followed[before] = true
			}
		}
		switch r.Kind {
		case runlog.KindReading:
			run.Reading(r.Nanos, r.Step, r.Volts, r.Amperes, r.Output == "off")
		case runlog.KindGap:
			length, _ := r.Integer("length")
			index, _ := r.Integer("index")
			run.Gap(account.Gap{Index: index, Kind: r.Text("kind"), From: r.Nanos - length, To: r.Nanos, Low: r.Value("low"), Best: r.Value("best"), High: r.Value("high")})
		case runlog.KindAlarm:
			run.Alarm(r.Nanos, r.Condition, r.Text("state"), r.Text("priority"), r.Text("text"), r.Text("by"))
		case runlog.KindOutput:
			run.Act(account.Act{At: r.Nanos, Action: r.Text("action"), Outcome: r.Text("outcome"), Text: r.Text("text")})
		case runlog.KindEntry:
			b.imported = b.imported || r.Text("kind") == runlog.EntryBegin && strings.HasPrefix(r.Text("text"), importText)
			if r.Text("kind") == runlog.EntrySettle {
				index, _ := r.Integer("index")
				run.Settle(index, r.Value("low"), r.Value("best"), r.Value("high"))
			}
			if r.Text("by") != "" {
				b.persons = append(b.persons, *r.Clone())
			}
		}
		return nil
	}, seen)
	if err != nil {
		return nil, integrate.Totals{}, err
	}
	if b.Late, err = runlog.ReadLate(runDir); err != nil {
		return nil, integrate.Totals{}, err
	}
	for _, r := range runlog.Counting(append(slices.Clip(b.persons), b.Late.Records...)) {
		e := control.EntryOf(&r)
		run.Entries = append(run.Entries, account.Entry{Entry: e.Booking(), At: e.At.UnixNano(), Text: e.Text, Outcome: bath.Outcome(r.Text("outcome"))})
	}
	totals := b.Log.Totals
	if replay != nil && replay.Coulometer != nil {
		for _, r := range runlog.Counting(b.Late.Records) {
			if !followed[r.Name()] && r.Correct(replay.Coulometer) == nil {
				totals = replay.Coulometer.Totals()
			}
		}
	}
	return run, totals, nil
}
