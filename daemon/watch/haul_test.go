package watch

import (
	"flag"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
)

var haulDays = flag.Int("haul", 1, "how many days of readings at one per second the long haul takes; 30 makes the soak")

// TestLongHaul takes days of readings at one per second as fast as the machine can:
// memory stays flat after the warm-up, nothing leaks, and the log replays to the same bits.
func TestLongHaul(t *testing.T) {
	c := steadyCell(t, 0, runlog.Disk{}, nil)
	ctx := t.Context()
	day := housetest.UnderRace(6, 24) * 3600 // a short one under the race detector
	round := func(n int) {
		for range n {
			c.round(ctx)
		}
	}
	round(day / 4) // the warm-up: everything that grows to its bound has done so
	memory, goroutines, files := resident(t), runtime.NumGoroutine(), descriptors(t)
	round(*haulDays*day - day/4)
	grown := resident(t) - memory
	t.Logf("%d days: resident memory grew by %.2f MiB, goroutines %d to %d, descriptors %d to %d, log %d MiB",
		*haulDays, float64(grown)/(1<<20), goroutines, runtime.NumGoroutine(), files, descriptors(t), c.Latest().Log.Bytes>>20)
	if grown > 2<<20 {
		t.Errorf("resident memory grew by %d bytes", grown)
	}
	if now := runtime.NumGoroutine(); now > goroutines {
		t.Errorf("goroutines grew from %d to %d", goroutines, now)
	}
	if now := descriptors(t); now > files {
		t.Errorf("descriptors grew from %d to %d", files, now)
	}
	live := c.Latest()
	dir := live.Run
	if err := c.GiveUp(); err != nil {
		t.Fatal(err)
	}
	report, err := runlog.ReplayFile(dir)
	if err != nil {
		t.Fatal(err)
	}
	if !report.Sound() || report.Totals.Charge != live.Charge.CountedCoulombs || report.Totals.Energy != live.Charge.EnergyJoules ||
		report.Totals.StandardUncertainty != live.Charge.UncertaintyCoulombs || uint64(report.Totals.Readings) != live.Reading.Count {
		t.Errorf("replay gives %+v, live was %+v", report.Totals, live.Charge)
	}
	began := time.Now()
	w, tail, err := runlog.Resume(dir, runlog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("taking the log of %d readings up again took %v", live.Reading.Count, time.Since(began).Round(time.Microsecond))
	if got := tail.Coulometer.Totals(); got.Charge != live.Charge.CountedCoulombs {
		t.Errorf("taken up, the run stands at %v C, it stood at %v C", got.Charge, live.Charge)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// resident is the resident memory of this process after a collection, in bytes.
func resident(t *testing.T) int64 {
	t.Helper()
	debug.FreeOSMemory()
	text, err := os.ReadFile("/proc/self/statm")
	if err != nil {
		t.Skipf("resident memory cannot be read here: %v", err)
	}
	pages, err := strconv.ParseInt(strings.Fields(string(text))[1], 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return pages * int64(os.Getpagesize())
}

func descriptors(t *testing.T) int {
	t.Helper()
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}
