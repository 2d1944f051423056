package books

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"nightcell/daemon/runlog"
)

// Filter says which runs are wanted; the zero Filter wants all.
type Filter struct {
	Cell         string
	Since, Until time.Time // of the beginning
	Open         bool      // only those that have not ended
	End          string    // only those whose end says so
	Weighed      bool      // only those of which something was weighed or assayed, by their accounts
}

// Listed is a run in a list. Its charge is that of the log's end.
type Listed struct {
	Cell        string    `json:"cell"`
	Run         string    `json:"run"`
	Directory   string    `json:"directory"`
	Began       time.Time `json:"begun_utc"`
	Ended       bool      `json:"ended"`
	End         string    `json:"end,omitempty"` // how it ended, in the words of the log
	Elapsed     float64   `json:"elapsed_seconds"`
	Charge      float64   `json:"charge_coulombs"`
	Uncertainty float64   `json:"charge_standard_uncertainty_coulombs"`
	Late        []string  `json:"entered_afterwards"` // the kinds
	Problem     string    `json:"problem,omitempty"`
	// By Filter.Weighed alone: what the account says of the deposit and of the current efficiency, with standard uncertainties.
	Deposit               float64 `json:"deposit_grams,omitempty"`
	Efficiency            float64 `json:"current_efficiency_ratio,omitempty"`
	EfficiencyUncertainty float64 `json:"current_efficiency_standard_uncertainty_ratio,omitempty"`
}

// List lists the runs below a data directory, by cell and by their beginning. It reads the end of each log alone.
func List(data string, f Filter) ([]Listed, error) {
	cells, err := os.ReadDir(filepath.Join(data, "runs"))
	if err != nil {
		return nil, fmt.Errorf("looking for runs: %w; %s", err, runlog.Remedy(err, "a data directory contains a folder runs"))
	}
	var all []Listed
	for _, cell := range cells {
		if f.Cell != "" && cell.Name() != f.Cell || !cell.IsDir() {
			continue
		}
		names, err := runlog.Runs(runlog.CellDir(data, cell.Name()))
		if err != nil {
			return nil, err
		}
		for _, name := range names {
			began, err := runlog.Began(name)
			if err != nil || began.Before(f.Since) || !f.Until.IsZero() && !began.Before(f.Until) {
				continue
			}
			l := Listed{Cell: cell.Name(), Run: name, Directory: filepath.Join(runlog.CellDir(data, cell.Name()), name), Began: began, Late: []string{}}
			l.look()
			if !(f.Open && (l.Ended || l.Problem != "")) && strings.Contains(l.End, f.End) {
				all = append(all, l)
			}
		}
	}
	if f.Weighed {
		all = weighed(all)
	}
	if f.Cell != "" && len(all) == 0 {
		if _, err := os.Stat(runlog.CellDir(data, f.Cell)); err != nil {
			return nil, fmt.Errorf("no cell %s has a run below %s", f.Cell, data)
		}
	}
	return all, nil
}

// weighed keeps the runs of which something was weighed or assayed, with what their accounts say.
func weighed(all []Listed) []Listed {
	group := new(errgroup.Group)
	group.SetLimit(runtime.GOMAXPROCS(0))
	for i := range all {
		group.Go(func() error {
			l := &all[i]
			b, err := Read(l.Directory, nil)
			if err != nil {
				l.Problem = "no account can be made"
			} else if e := b.Account.Efficiency; e.Known() {
				l.Deposit, l.Efficiency, l.EfficiencyUncertainty = b.Account.Deposit.Value*1e3, e.Value, e.StandardUncertainty
			}
			return nil
		})
	}
	_ = group.Wait() // none fails
	return slices.DeleteFunc(all, func(l Listed) bool { return l.Efficiency == 0 })
}

// look fills in what the end of the log and the late entries tell.
func (l *Listed) look() {
	tail, err := runlog.TailOf(l.Directory)
	if err != nil {
		l.Problem = "no log can be read"
		return
	}
	if l.Ended = tail.Ended; l.Ended {
		l.End, _ = runlog.EndOf(l.Directory) // without, it ended all the same
	}
	if c := tail.Coulometer; c != nil {
		t := c.Totals()
		l.Elapsed, l.Charge, l.Uncertainty = t.Elapsed.Seconds(), t.Charge, t.StandardUncertainty
	}
	late, err := runlog.LateEntries(l.Directory)
	if err != nil {
		l.Problem = "the late entries cannot be read"
	}
	for _, r := range late {
		l.Late = append(l.Late, r.Text("kind"))
	}
}
