package watch

import (
	"context"
	"errors"
	"io/fs"
	"math"
	"os"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// nowhere is a disk that takes everything and keeps nothing, so that a benchmark
// measures the encoding of lines and not the machine's file system.
type nowhere struct{ runlog.Disk }

func (nowhere) OpenFile(path string, flag int, perm fs.FileMode) (runlog.File, error) {
	f, err := os.OpenFile(path, flag, perm)
	return nowhereFile{f}, err
}

func (nowhere) SyncDir(string) error { return nil }

func (nowhere) Same(string, runlog.File) (bool, error) { return false, errors.New("nothing is kept") }

type nowhereFile struct{ *os.File }

func (nowhereFile) Write(p []byte) (int, error) { return len(p), nil }
func (nowhereFile) Sync() error                 { return nil }

// instant is a supply that answers at once, a poll later each time.
type instant struct {
	at time.Duration
	n  int
}

func (s *instant) Poll(context.Context) (drivers.Reading, error) {
	s.at += time.Second
	s.n++
	digit := float64(s.n%7 - 3)
	return drivers.Reading{At: s.at, Volts: drivers.Volts((3700 + digit) / 1000), Amperes: drivers.Amperes((3000 + digit) / 1000), Mode: drivers.ConstantCurrent, Output: drivers.OutputOn}, nil
}
func (s *instant) Identify(context.Context) (drivers.Identity, error) {
	return drivers.Identity{Maker: "EXAMPLE", Model: "PS-30-5", Serial: "0", Firmware: "1"}, nil
}
func (s *instant) Status(context.Context) (drivers.Status, error) {
	return drivers.Status{At: s.at, Output: drivers.OutputOn, Mode: drivers.ConstantCurrent, SetVolts: 6, SetAmperes: 3, LimitVolts: 8, LimitAmperes: 4}, nil
}
func (s *instant) Close() error { return nil }

// steadyCell is a cell in an open run, whose clock is that of its instant supply.
func steadyCell(tb testing.TB, checkpoints time.Duration, disk runlog.FS, free func(string) float64) *Cell {
	tb.Helper()
	supply := &instant{at: time.Second}
	b := &watchtest.Bench{Clock: drivers.NewClock(1)}
	c := zincCell(tb, b, tb.TempDir(), "", `recover = "68 %"`, "")
	c.settings.Open = func(context.Context, Noted) (drivers.Supply, error) { return supply, nil }
	c.link.open, c.settings.FS, c.settings.Sync = c.settings.Open, disk, time.Hour
	c.settings.Checkpoints, c.settings.Free = checkpoints, free
	c.settings.Poll, c.settings.Limits.Poll = time.Second, time.Second
	began := time.Now()
	c.m.now = func() time.Duration { return supply.at }
	c.m.UTC = func() time.Time { return began.Add(supply.at) }
	c.m.Boot = func() (string, time.Duration, bool) { return "", 0, false }
	for range 20000 { // past the warm-up, so that the corridor is learned
		c.round(tb.Context())
	}
	if c.run == nil || c.Latest().Reading.Count < 19000 {
		tb.Fatal("no run is open")
	}
	return c
}

// BenchmarkReading is one reading from the driver's answer to the published
// snapshot: integrate, log encoding, alarms, bath, snapshot. The disk is left out, and so is
// what the clock brings between readings (BenchmarkHour has it); the checkpoint that is due
// after every 256 KiB of log is in. Goal: at most 2 µs and no allocation.
func BenchmarkReading(b *testing.B) {
	c := steadyCell(b, 1000*time.Hour, nowhere{}, func(string) float64 { return math.NaN() })
	c.statusDue = c.m.now() + 1e6*time.Hour
	ctx := b.Context()
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		c.round(ctx)
	}
}

// BenchmarkHour is an hour of readings at one per second with everything that comes
// between them: status questions, looks at the disk, checkpoints.
func BenchmarkHour(b *testing.B) {
	c := steadyCell(b, 0, nowhere{}, nil)
	ctx := b.Context()
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N {
		for range 3600 {
			c.round(ctx)
		}
	}
}

// TestAReadingAllocatesItsSnapshotAlone keeps garbage off the reading path. Status questions,
// looks at the disk and checkpoints come between readings now and then and are allowed to.
func TestAReadingAllocatesItsSnapshotAlone(t *testing.T) {
	c := steadyCell(t, 0, nowhere{}, nil)
	c.m.Boot = bootClock() // the machine's own: it is looked at with every reading
	ctx := t.Context()
	best := 1e9
	for range 20 {
		best = min(best, testing.AllocsPerRun(10, func() { c.round(ctx) }))
	}
	if best != 1 {
		t.Errorf("a reading allocates %v times", best)
	}
}
