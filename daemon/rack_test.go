//go:build unix

package daemon

import (
	"fmt"
	"log/slog"
	"path/filepath"
	"testing"
	"time"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

const twoCellsConfig = `
data = %q
[supply.bench]
port = %q
baud = 115200
[supply.bench.dialect]
addressing = "list"
[cell.first]
supply = "bench"
channel = 1
poll = "50 ms"
gap_after = "10 s"
may = ["off"]
[cell.first.limits]
current = "3.3 A"
[cell.second]
supply = "bench"
channel = 2
poll = "50 ms"
gap_after = "10 s"
[cell.second.limits]
current = "1 A"
`

// TestTwoCellsOnOneSupply watches two channels through one real line. Each counts its
// own current, neither slows the other for long, one can be switched off alone, and
// both come back when the adapter does.
func TestTwoCellsOnOneSupply(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	clock := drivers.NewClock(1)
	scenario, err := simulated.ParseScenario("two", []byte(watchtest.Live+"[[event]]\nat = \"20 s\"\nkind = \"unplug\"\nlasts = \"500 ms\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	channels, zinc := simulated.DefaultChannels(), simulated.ZincCell()
	channels[1].Volts, channels[1].Amperes, channels[1].On, channels[1].Cell = 6, 0.5, true, &zinc
	link := filepath.Join(dir, "port")
	i := served(t, simulated.Setup{Clock: clock, Seed: 1, Scenario: scenario, Channels: channels}, link)
	cfg, err := configs.Parse("two.toml", fmt.Appendf(nil, twoCellsConfig, dir, link))
	if err != nil {
		t.Fatal(err)
	}
	rack := rackOf(t, cfg)
	var cells [2]*watch.Cell
	var stops [2]func() error
	for n := range cells {
		s, err := watch.SettingsOf(cfg, &cfg.Cells[n], rack, clock, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		cells[n] = watch.New(s, watch.MachineOf(clock))
		stops[n] = watchtest.Start(t, cells[n])
	}
	defer func() {
		if t.Failed() {
			t.Logf("first: %+v\nsecond: %+v", cells[0].Latest(), cells[1].Latest())
		}
	}()
	soon(t, "both count", func() bool {
		a, z := cells[0].Latest(), cells[1].Latest()
		return a != nil && z != nil && a.Reading.Count > 20 && z.Reading.Count > 20
	})
	for n, want := range []float64{3, 0.5} {
		s := cells[n].Latest()
		if got := s.Reading.Amperes; got < want-0.02 || got > want+0.02 {
			t.Errorf("cell %s reads %.3f A, its channel gives %.1f A", s.Name, got, want)
		}
		// A busy machine may answer one poll too late; cells that spoke at the same time would
		// spoil each other's most of the time.
		var refused int64
		for _, why := range s.Refused {
			refused += int64(why)
		}
		if refused > int64(s.Reading.Count)/4 {
			t.Errorf("cell %s refused %v beside %d readings", s.Name, s.Refused, s.Reading.Count)
		}
	}
	d := new(Daemon)
	d.cells.Store(&[]*post{{Cell: cells[0]}, {Cell: cells[1]}})
	if _, err := d.Operator().Off(t.Context(), control.CellOrder{Cell: "first", By: "test"}); err != nil {
		t.Errorf("switching one channel off: %v", err)
	}
	if i.Truth(1).Output || !i.Truth(2).Output {
		t.Errorf("outputs on: %v, %v; want only the second", i.Truth(1).Output, i.Truth(2).Output)
	}
	soon(t, "the first run ends", func() bool { return cells[0].Latest().Ended })
	soon(t, "both come back after the adapter was unplugged", func() bool {
		a, z := cells[0].Latest().Link, cells[1].Latest().Link
		return a.Up && z.Up && a.Reconnects > 1 && z.Reconnects > 1
	})
	counted := cells[1].Latest().Reading.Count
	soon(t, "the second counts on", func() bool { return cells[1].Latest().Reading.Count > counted+5 })
	run := cells[1].Latest().Run
	for n := range cells {
		if err := stops[n](); err != nil {
			t.Error(err)
		}
	}
	if report, err := runlog.ReplayFile(run); err != nil || !report.Sound() {
		t.Errorf("replay: %+v, %v", report, err)
	}
}

// served puts a simulated supply behind a name, until the end of the test.
func served(t *testing.T, s simulated.Setup, name string) *simulated.Instrument {
	t.Helper()
	i, err := simulated.New(s)
	if err != nil {
		t.Fatal(err)
	}
	line, err := simulated.Serve(t.Context(), i, name)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := line.Close(); err != nil {
			t.Error(err)
		}
	})
	return i
}

// soon waits in real time until ok.
func soon(t *testing.T, what string, ok func() bool) {
	t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for limit := time.After(2 * time.Minute); !ok(); {
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("not within two minutes: %s", what)
		}
	}
}
