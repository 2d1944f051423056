//go:build linux

package campaign

import (
	"bytes"
	"context"
	"fmt"
	"io/fs"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
	"nightcell/integrate"
)

// powerDisk is the machine's disk, which remembers how much of each file was made
// durable, so that a power cut can be played at any moment. The cut is the worst there
// is: everything written since the last fsync is gone.
type powerDisk struct {
	runlog.Disk
	mu      sync.Mutex
	durable map[string]int64
	kept    int // readings in the durable part of the log
}

func (d *powerDisk) OpenFile(name string, flag int, perm fs.FileMode) (runlog.File, error) {
	f, err := d.Disk.OpenFile(name, flag, perm)
	if err != nil {
		return nil, err
	}
	return &powerFile{f, d, name}, nil
}

func (d *powerDisk) Rename(from, to string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.durable[to] = d.durable[from]
	delete(d.durable, from)
	return d.Disk.Rename(from, to)
}

type powerFile struct {
	runlog.File
	disk *powerDisk
	name string
}

func (f *powerFile) Sync() error {
	if err := f.File.Sync(); err != nil {
		return err
	}
	info, err := os.Stat(f.name)
	if err != nil {
		return err
	}
	f.disk.mu.Lock()
	defer f.disk.mu.Unlock()
	if filepath.Base(f.name) == runlog.LogName {
		fresh := make([]byte, info.Size()-f.disk.durable[f.name])
		if _, err := f.ReadAt(fresh, f.disk.durable[f.name]); err != nil {
			return err
		}
		for line := range bytes.Lines(fresh) {
			if bytes.HasPrefix(line, []byte("reading,")) {
				f.disk.kept++
			}
		}
	}
	f.disk.durable[f.name] = info.Size()
	return nil
}

// after writes below dir what a power cut at this moment would leave.
func (d *powerDisk) after(from, dir string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	for name, size := range d.durable {
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		relative, err := filepath.Rel(from, name)
		if err != nil {
			return err
		}
		to := filepath.Join(dir, relative)
		if err := os.MkdirAll(filepath.Dir(to), 0o750); err != nil {
			return err
		}
		if err := os.WriteFile(to, text[:size], 0o640); err != nil {
			return err
		}
	}
	return nil
}

// direct is the simulated supply without a line.
type direct struct {
	i     *simulated.Instrument
	clock drivers.Clock
}

func (d direct) Poll(context.Context) (drivers.Reading, error) { return d.i.Observe(1, d.clock.Now()) }
func (d direct) Identify(context.Context) (drivers.Identity, error) {
	return d.i.IdentityAt(d.clock.Now())
}
func (d direct) Status(context.Context) (drivers.Status, error) {
	return d.i.ObserveStatus(1, d.clock.Now())
}
func (d direct) Close() error { return nil }

// cellOn is the watch over the simulated supply with a disk and a sync setting.
func (d direct) cellOn(dir string, disk runlog.FS, every time.Duration) *watch.Cell {
	limits := alerts.Defaults()
	limits.Poll, limits.Amperes, limits.Volts = time.Second, 3.3, 7
	s := watch.Settings{Open: func(context.Context, watch.Noted) (drivers.Supply, error) { return d, nil }}
	s.Cell, s.Supply, s.Poll, s.Sync, s.FS, s.DataDir = "zinc-1", "bench", time.Second, every, disk, dir
	s.Count = integrate.Settings{GapAfter: 10 * time.Second, GainRelative: 0.001, OffsetAmperes: 0.005, ResolutionAmperes: 0.001}
	s.Limits, s.Chemistry, s.AirStated, s.AirNeededPerAmpere = limits, alerts.Chemistry{FloorVolts: math.NaN()}, math.NaN(), math.NaN()
	s.Log = slog.New(slog.DiscardHandler)
	return watch.New(s, watch.MachineOf(d.clock))
}

// TestWhatASyncSettingRisks plays a power cut at every second of 25 minutes, for each
// setting of sync, counts the readings that it would cost, and takes the run up from the
// worst of them: what is lost is a gap, and its range holds the truth.
//
// The loss allowed is one sync interval and the poll that is due. A kill without a power cut costs
// nothing that was written, whatever the setting; TestCampaign shows that.
func TestWhatASyncSettingRisks(t *testing.T) {
	t.Parallel()
	for _, every := range []time.Duration{0, 2 * time.Second, 10 * time.Second, time.Minute, 10 * time.Minute}[:housetest.UnderRace(2, 5)] {
		t.Run(every.String(), func(t *testing.T) { synctest.Test(t, func(t *testing.T) { powerCut(t, every) }) })
	}
}

func powerCut(t *testing.T, every time.Duration) {
	clock := drivers.NewClock(1)
	scenario, err := simulated.ParseScenario("live", []byte(live))
	if err != nil {
		t.Fatal(err)
	}
	i, err := simulated.New(simulated.Setup{Clock: clock, Seed: int64(*seed), Scenario: scenario})
	if err != nil {
		t.Fatal(err)
	}
	supply := direct{i, clock}
	dir := t.TempDir()
	disk := &powerDisk{durable: map[string]int64{}}
	c := supply.cellOn(dir, disk, every)
	stop := begin(t, c)
	<-time.After(time.Second + time.Millisecond)
	first := i.Truth(1).Charge
	worst, atCut, sum, cuts := 0, 0, 0, 0
	left := ""
	for range 1500 {
		<-time.After(time.Second)
		s := c.Latest()
		lost := int(s.Reading.Count) - disk.readings()
		sum, cuts = sum+lost, cuts+1
		// The worst cut of the last eight minutes is the one to be taken up. It lies well behind the checkpoint of
		// 900 s: the time since boot is the machine's own, and must not catch up with that of the run.
		if cuts > 1000 && lost > atCut {
			atCut, left = lost, filepath.Join(dir, fmt.Sprintf("after-%d", cuts))
			if err := disk.after(dir, left); err != nil {
				t.Fatal(err)
			}
		}
		worst = max(worst, lost)
	}
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	allowed := int(every/time.Second) + 1
	t.Logf("sync = %v: at most %d readings of one per second lost, %d allowed; %.1f in the mean over %d moments", every, worst, allowed, float64(sum)/float64(cuts), cuts)
	if worst > allowed {
		t.Errorf("a power cut can cost %d readings", worst)
	}
	if every == 0 {
		if worst > 0 {
			t.Errorf("with every line synced %d readings can be lost", worst)
		}
		return
	}
	if least := int(min(every, 5*time.Minute)/time.Second) - 2; worst < least {
		t.Errorf("only %d readings at risk: the power cut that was played is too kind, or more is synced than is asked for", worst)
	}
	c = supply.cellOn(left, runlog.Disk{}, every)
	stop = begin(t, c)
	<-time.After(time.Minute)
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	run, _, err := runlog.LatestRun(left, "zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	report, err := runlog.ReplayFile(run)
	if err != nil {
		t.Fatal(err)
	}
	truth := i.Truth(1).Charge - first
	dark := report.Totals.Elapsed - report.Totals.Observed
	if !report.Sound() || dark < time.Duration(atCut)*time.Second || truth < report.Totals.Low()-4 || truth > report.Totals.High()+4 {
		t.Errorf("taken up after the worst cut: sound %v, %v dark, %.1f to %.1f C, truly %.1f C",
			report.Sound(), dark, report.Totals.Low(), report.Totals.High(), truth)
	}
}

// readings counts those that a power cut would leave.
func (d *powerDisk) readings() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.kept
}

// begin runs the watch until the returned stop is called; stop returns Run's error.
func begin(t *testing.T, c *watch.Cell) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	return func() error {
		cancel()
		return <-done
	}
}
