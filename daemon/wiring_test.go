//go:build unix

package daemon

import (
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"testing"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

const wiredConfig = `
data = %q
[supply.bench]
port = %q
[supply.bench.accuracy]
current_gain = "0.05 %%"
current_offset = "2 mA"
[supply.bench.dialect]
addressing = "list"
`

// wired watches the cells of a configuration on a supply with two live channels, of 3 A and 1.5 A, until each has counted, and stops it after
// then. It returns the cells, the supply, and a channel's mean current in truth.
func wired(t *testing.T, cells string, then func([]*watch.Cell, *simulated.Instrument)) (shown []*watch.Cell, totals []runlog.Report, truth func(channel int) float64) {
	t.Helper()
	dir, clock := t.TempDir(), drivers.NewClock(1)
	port := filepath.Join(dir, "port")
	i := served(t, simulated.Setup{Clock: clock, Seed: 1, Channels: simulated.LiveChannels(2)}, port)
	cfg, err := configs.Parse("wired.toml", []byte(fmt.Sprintf(wiredConfig, dir, port)+cells))
	if err != nil {
		t.Fatal(err)
	}
	rack := rackOf(t, cfg)
	var stops []func() error
	for n := range cfg.Cells {
		s, err := watch.SettingsOf(cfg, &cfg.Cells[n], rack, clock, slog.New(slog.DiscardHandler))
		if err != nil {
			t.Fatal(err)
		}
		shown = append(shown, watch.New(s, watch.MachineOf(clock)))
		stops = append(stops, watchtest.Start(t, shown[n]))
	}
	soon(t, "all count", func() bool {
		for _, c := range shown {
			if s := c.Latest(); s == nil || s.Reading.Count < 30 {
				return false
			}
		}
		return true
	})
	all := [...]simulated.Truth{i.Truth(1), i.Truth(2)}
	then(shown, i)
	for n, stop := range stops {
		if err := stop(); err != nil {
			t.Error(err)
		}
		report, err := runlog.ReplayFile(shown[n].Latest().Run)
		if err != nil || !report.Sound() {
			t.Fatalf("replay: %+v, %v", report, err)
		}
		totals = append(totals, *report)
	}
	return shown, totals, func(channel int) float64 { return all[channel-1].Charge / all[channel-1].At.Seconds() }
}

// TestCellsInSeries: the same charge passes each, and each has its share of the volts.
func TestCellsInSeries(t *testing.T) {
	t.Parallel() // most of it is waiting
	const cell = "[cell.%s]\nsupply = \"bench\"\nin_series = 2\npoll = \"50 ms\"\n"
	cells, reports, truth := wired(t, fmt.Sprintf(cell, "upper")+fmt.Sprintf(cell, "lower"), func(cells []*watch.Cell, i *simulated.Instrument) {
		volts := i.Truth(1).Volts
		for _, c := range cells {
			if got := c.Latest().Reading.Volts; math.Abs(got-volts/2) > 0.02 {
				t.Errorf("cell %s reads %.3f V of %.3f V over two cells", c.Latest().Name, got, volts)
			}
		}
	})
	for n, r := range reports {
		want := truth(1) * r.Totals.Elapsed.Seconds()
		if u := r.Totals.StandardUncertainty; math.Abs(r.Totals.Charge-want) > 2*u || u > 0.01*want {
			t.Errorf("cell %s counted %.3f ± %.3f C, truly %.3f C", cells[n].Latest().Name, r.Totals.Charge, 2*u, want)
		}
	}
}

// TestChannelsInParallel: the charges of both channels add up, and off means both.
func TestChannelsInParallel(t *testing.T) {
	t.Parallel() // most of it is waiting
	var before *snapshot.Cell
	_, _, truth := wired(t, "[cell.wide]\nsupply = \"bench\"\nchannel = 2\nparallel = [1]\npoll = \"50 ms\"\nmay = [\"off\"]\n", func(cells []*watch.Cell, i *simulated.Instrument) {
		before = cells[0].Latest()
		d := new(Daemon)
		d.cells.Store(&[]*post{{Cell: cells[0]}})
		if _, err := d.Operator().Off(t.Context(), control.CellOrder{Cell: "wide", By: "test"}); err != nil {
			t.Errorf("switching off: %v", err)
		}
		if i.Truth(1).Output || i.Truth(2).Output {
			t.Error("an output is still on")
		}
	})
	want := (truth(1) + truth(2)) * before.Elapsed.Seconds()
	if u := before.Charge.UncertaintyCoulombs; math.Abs(before.Charge.CountedCoulombs-want) > 2*u || u > 0.01*want {
		t.Errorf("counted %.3f ± %.3f C, truly %.3f C", before.Charge.CountedCoulombs, 2*u, want)
	}
}
