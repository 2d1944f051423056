package daemon

import (
	"flag"
	"os"
	"runtime"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/runlog"
)

var haulDays = flag.Int("haul", 1, "how many days of readings at one per second the long haul takes; 30 makes the soak")

// TestLongHaul takes days of readings at one per second as fast as the machine can:
// memory stays flat after the warm-up, nothing leaks, and the log replays to the same bits.
func TestLongHaul(t *testing.T) {
	c := steadyCell(t, checkpointEvery, runlog.Disk{})
	ctx := t.Context()
	const day = 24 * 3600
	round := func(n int) {
		for range n {
			c.attend(ctx)
		}
	}
	round(day / 4) // the warm-up: everything that grows to its bound has done so
	memory, goroutines, files := resident(t), runtime.NumGoroutine(), descriptors(t)
	round(*haulDays*day - day/4)
	grown := resident(t) - memory
	t.Logf("%d days: resident memory grew by %.2f MiB, goroutines %d to %d, descriptors %d to %d, log %d MiB",
		*haulDays, float64(grown)/(1<<20), goroutines, runtime.NumGoroutine(), files, descriptors(t), c.run.log.Offset()>>20)
	if grown > 2<<20 {
		t.Errorf("resident memory grew by %d bytes", grown)
	}
	if now := runtime.NumGoroutine(); now > goroutines {
		t.Errorf("goroutines grew from %d to %d", goroutines, now)
	}
	if now := descriptors(t); now > files {
		t.Errorf("descriptors grew from %d to %d", files, now)
	}
	live, dir := c.run.count.Totals(), c.run.dir
	if err := c.run.close(c); err != nil {
		t.Fatal(err)
	}
	report, err := runlog.ReplayFile(dir)
	if err != nil {
		t.Fatal(err)
	}
	if !report.Sound() || report.Totals.Charge != live.Charge || report.Totals.Energy != live.Energy ||
		report.Totals.StandardUncertainty != live.StandardUncertainty || report.Totals.Readings != live.Readings {
		t.Errorf("replay gives %+v, live was %+v", report.Totals, live)
	}
	began := time.Now()
	w, tail, err := runlog.Resume(dir, runlog.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Logf("taking the log of %d readings up again took %v", live.Readings, time.Since(began).Round(time.Microsecond))
	if got := tail.Coulometer.Totals(); got.Charge != live.Charge {
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
