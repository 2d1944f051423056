package run_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightcell/daemon/control"
	"nightcell/daemon/run"
	"nightcell/daemon/runlog"
)

// TestATrialChangesNothing: what an entry would do is told as it is then told when it is made, and log, charge and bath stay as they were.
func TestATrialChangesNothing(t *testing.T) {
	n := newNight(t)
	var err error
	if n.run, err = run.Begin(&n.settings, n.facts(), *n.reading(), run.Zero{}, n.settings.Count.ZeroAmperes); err != nil {
		t.Fatal(err)
	}
	for range 100 {
		n.round()
	}
	n.run.Sync()
	size := func() int64 {
		t.Helper()
		logs, _ := filepath.Glob(filepath.Join(n.settings.DataDir, "runs", "*", "*", runlog.LogName))
		if len(logs) != 1 {
			t.Fatalf("%d logs", len(logs))
		}
		info, err := os.Stat(logs[0])
		if err != nil {
			t.Fatal(err)
		}
		return info.Size()
	}
	for _, e := range []control.Entry{
		{Kind: "water", Numbers: map[string]float64{"volume_cubic_metres": 1e-4}},
		{Kind: "zero", Numbers: map[string]float64{"amperes": 0.01, "standard_uncertainty": 0.001}},
		{Kind: "remark", Text: "the fan stood still"},
	} {
		e.Cell, e.By, e.Trial = "zinc-1", "ann", true
		n.run.Reckon()
		had, shown := size(), n.shown()
		tried, err := n.run.Enter(n.facts(), e)
		n.run.Sync()
		n.run.Reckon()
		if err != nil || tried.Name != "" || size() != had {
			t.Fatalf("%s: %+v, %v; the log grew by %d bytes", e.Kind, tried, err, size()-had)
		}
		if diff := cmp.Diff(shown, n.shown(), cmpopts.EquateNaNs()); diff != "" {
			t.Errorf("a trial of %s has changed: %s", e.Kind, diff)
		}
		e.Trial = false
		made, err := n.run.Enter(n.facts(), e)
		if err != nil {
			t.Fatal(err)
		}
		if want := strings.Join(tried.Notes, " "); !strings.Contains(strings.Join(made.Notes, " "), want) || e.Kind != "remark" && want == "" {
			t.Errorf("%s would %q and did %q", e.Kind, tried.Notes, made.Notes)
		}
	}
}
