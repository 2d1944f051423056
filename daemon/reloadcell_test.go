//go:build unix

package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"testing"

	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// shelf are simulated supplies on lines of their own.
func shelf(t *testing.T, dir string, names ...string) (all []*simulated.Instrument) {
	t.Helper()
	scenario, err := simulated.ParseScenario("live", []byte(watchtest.Live))
	if err != nil {
		t.Fatal(err)
	}
	for n, name := range names {
		all = append(all, served(t, simulated.Setup{Clock: drivers.NewClock(1), Seed: int64(n + 1), Scenario: scenario}, filepath.Join(dir, name)))
	}
	return all
}

// runningDaemon is a daemon that runs. reload gives it another configuration and takes it up; stop returns what Run does.
func runningDaemon(t *testing.T, first *configs.Config) (d *Daemon, reload func(*configs.Config) error, stop func() error) {
	t.Helper()
	next := first
	ready := make(chan struct{})
	d, err := New(Options{Config: next, Clock: drivers.NewClock(1), Log: slog.New(slog.DiscardHandler),
		Load: func() (*configs.Config, error) { return next, nil }, Ready: func() { close(ready) }})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- d.Run(ctx) }()
	<-ready
	return d, func(c *configs.Config) error { next = c; return d.Reload(t.Context()) }, func() error { cancel(); return <-done }
}

// countsOn waits until a cell is watched and has counted so many readings more.
func countsOn(t *testing.T, d *Daemon, name string, more uint64) {
	t.Helper()
	var from uint64
	soon(t, name+" is watched", func() bool {
		p := d.post(name)
		if p == nil || p.Latest() == nil {
			return false
		}
		from = p.Latest().Reading.Count
		return from > 0
	})
	soon(t, name+" counts", func() bool { return d.post(name).Latest().Reading.Count > from+more })
}

// TestReloadOfOneCell changes the bath and the supply's line of one cell, adds one and takes one out, while the daemon runs: the cell that
// changed goes on with its run over a short gap, the other loses no reading and is the same watch, the pushes follow, and each is on the page.
func TestReloadOfOneCell(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	supplies := shelf(t, dir, "a", "b", "c")
	db := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusNoContent) }))
	defer db.Close()
	push := fmt.Sprintf("[push.house]\nurl = %q\nform = \"v1\"\ndatabase = \"d\"\n", db.URL)
	cell := func(name, port, more string) string {
		return fmt.Sprintf("[supply.%s]\nport = %q\n[cell.%s]\nsupply = %q\npoll = \"50 ms\"\ngap_after = \"10 s\"\n%s", port, filepath.Join(dir, port), name, port, more)
	}
	const bath = "may = [\"off\"]\non_stop = \"off\"\nreason = \"a test\"\n[cell.one.bath]\nmetal = \"Zn\"\nmedium = \"sulfate\"\nvolume = \"0.9 L\"\nconcentration = \"55 g/L\"\n[cell.one.target]\ncharge = %q\n[cell.one.efficiency]\nfixed = \"88 %%\"\n"
	text := func(rest ...string) *configs.Config {
		t.Helper()
		cfg, err := configs.Parse("test.toml", fmt.Appendf(nil, "data = %q\n[page]\nlisten = \"127.0.0.1:0\"\n%s", dir, strings.Join(rest, "")))
		if err != nil {
			t.Fatal(err)
		}
		return cfg
	}
	d, reload, stop := runningDaemon(t, text(push, cell("one", "a", fmt.Sprintf(bath, "10 A h")), cell("two", "b", "")))
	counts := func(name string, more uint64) { t.Helper(); countsOn(t, d, name, more) }
	counts("one", 5)
	counts("two", 5)
	one, two := d.post("one"), d.post("two")
	run, charge := one.Latest().Run, one.Latest().Charge.CountedCoulombs

	if err := reload(text(push, cell("one", "a", fmt.Sprintf(bath, "12 A h")), cell("two", "b", ""), cell("three", "c", ""))); err != nil {
		t.Fatal(err)
	}
	counts("one", 5)
	counts("three", 5)
	switch s := d.post("one").Latest(); {
	case d.post("one").Cell == one.Cell:
		t.Error("the cell that changed is watched as before")
	case s.Run != run || s.Charge.CountedCoulombs < charge:
		t.Errorf("its run was %s with %g C, and is %s with %g C", run, charge, s.Run, s.Charge.CountedCoulombs)
	case !supplies[0].Truth(1).Output || s.Charge.Gaps == 0:
		t.Errorf("its output is on: %v, with %d gaps over the time without a watch", supplies[0].Truth(1).Output, s.Charge.Gaps)
	case s.Charge.TargetCoulombs != 12*3600:
		t.Errorf("its target is %g C", s.Charge.TargetCoulombs)
	}
	if s := d.post("two").Latest(); d.post("two").Cell != two.Cell {
		t.Errorf("the other cell was touched: %+v", s.Link)
	}
	for _, name := range []string{"one", "two", "three"} {
		soon(t, name+" is pushed", func() bool {
			h, ok := d.pushes.all()[0].Health(name)
			return ok && h.Delivered > 0
		})
	}
	resp, err := http.Get("http://" + d.Address() + "/cell/three/history?points=50")
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Errorf("curves of the cell that came: %v, %v", resp, err)
	}
	resp.Body.Close()

	if err := reload(text(push, cell("one", "a", fmt.Sprintf(bath, "12 A h")), cell("two", "b", ""))); err == nil || !strings.Contains(err.Error(), "cell three is left out") || !strings.Contains(err.Error(), "still open") {
		t.Errorf("leaving a cell out whose run is open: %v", err)
	}
	// the supplies change places
	if err := reload(text(cell("one", "b", fmt.Sprintf(bath, "12 A h")), cell("two", "a", ""), cell("three", "c", ""))); err != nil {
		t.Fatal(err)
	}
	counts("one", 5)
	counts("two", 5)
	if d.post("two").Cell == two.Cell || len(d.pushes.all()) != 0 {
		t.Error("the supplies did not change places, or the push is still there")
	}
	if err := stop(); err != nil {
		t.Error(err)
	}
	if report, err := runlog.ReplayFile(run); err != nil || !report.Sound() {
		t.Errorf("replay: %+v, %v", report, err)
	}
	<-one.Gone()
}
