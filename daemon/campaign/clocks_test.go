//go:build linux

package campaign

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/runlog"
)

// stretch watches for a while with the given command line, stops, and returns what the log says,
// and what the kernel says of the memory of the process.
func stretch(t *testing.T, command []string, b *bench, dir string, readings float64) (v *runlog.Report, maps []byte) {
	t.Helper()
	w := startWatch(t, command, b.config, b.clock.Speed())
	first := w.until(t, "the first readings", patience, func(m metrics) bool { return m["nightcell_readings_total"] > 0 })
	w.until(t, "more readings", patience, func(m metrics) bool {
		return m["nightcell_readings_total"] >= first["nightcell_readings_total"]+readings
	})
	maps, _ = os.ReadFile(fmt.Sprintf("/proc/%d/maps", w.cmd.Process.Pid)) // only Linux has it, and only one test asks
	if err := w.stop(t); err != nil {
		t.Errorf("stopping: %v\n%s", err, w.said)
	}
	return verify(t, filepath.Dir(logOf(t, dir))), maps
}

// records reads every record of a kind.
func records(t *testing.T, dir string, kind runlog.Kind) (list []runlog.Record) {
	t.Helper()
	r, err := runlog.Open(filepath.Dir(logOf(t, dir)))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for {
		var rec runlog.Record
		switch err := r.Next(&rec); {
		case errors.Is(err, io.EOF):
			return list
		case err != nil:
			t.Fatal(err)
		case rec.Kind == kind:
			list = append(list, rec)
		}
	}
}

// TestTimeNamespaces keeps the watch in time namespaces of Linux: a monotonic clock that
// stands elsewhere changes nothing, and a clock since boot that has gone on by an hour, as it
// does in suspend, becomes an hour's gap whose range holds what was delivered.
func TestTimeNamespaces(t *testing.T) {
	t.Parallel()
	if out, err := exec.Command(realOrSkip(t, "unshare"), "-T", "--monotonic", "1000", "--boottime", "1000", "true").CombinedOutput(); err != nil {
		t.Skipf("no time namespaces here: %v: %s", err, out)
	}
	dir := filepath.Join(t.TempDir(), "data")
	b := newBench(t, 1, live, fmt.Sprintf(poll100, dir))
	before := b.supply.Truth(1).Charge
	stretch(t, []string{program}, b, dir, 10)
	stretch(t, []string{"unshare", "-T", "--monotonic", "864000", program}, b, dir, 10)
	v, _ := stretch(t, []string{"unshare", "-T", "--monotonic", "5", program}, b, dir, 10)
	truth := b.supply.Truth(1).Charge - before
	if v.Totals.Gaps != 2 || v.Totals.Charge < 0 || v.Totals.Charge > truth {
		t.Errorf("with the monotonic clock elsewhere: %+v; %.2f C were delivered since before the first reading", v, truth)
	}
	for i, g := range records(t, dir, runlog.KindGap) {
		if n, _ := g.Integer("length"); time.Duration(n) > 30*time.Second {
			t.Errorf("gap %d has the length %v, although only the monotonic clock moved", i, time.Duration(n))
		}
	}
	v, _ = stretch(t, []string{"unshare", "-T", "--boottime", "3600", program}, b, dir, 10)
	gaps := records(t, dir, runlog.KindGap)
	n, _ := gaps[len(gaps)-1].Integer("length")
	if length := time.Duration(n); len(gaps) != 3 || length < time.Hour || length > time.Hour+time.Minute {
		t.Errorf("after an hour asleep: %d gaps, the last of %v", len(gaps), length)
	}
	if truth = b.supply.Truth(1).Charge - before; truth < v.Totals.Low()-3.3*2 || truth > v.Totals.High()+3.3*2 {
		t.Errorf("%.2f C were delivered, %.2f to %.2f C are stated", truth, v.Totals.Low(), v.Totals.High())
	}
	t.Logf("asleep for an hour: counted %.1f C, stated %.1f to %.1f C, truly %.1f C", v.Totals.Charge, v.Totals.Low(), v.Totals.High(), truth)
}

// fake returns what goes before a command line so that libfaketime is loaded into the
// program. The tool itself would stay between us and the program, and take the signals.
func fake(t *testing.T, tool, lie string) []string {
	t.Helper()
	out, err := exec.Command(tool, "-f", lie, "env").Output()
	if err != nil {
		t.Fatal(err)
	}
	command := []string{"env", "FAKETIME=" + lie}
	for line := range strings.Lines(string(out)) {
		if strings.HasPrefix(line, "LD_PRELOAD=") {
			command = append(command, strings.TrimSpace(line))
		}
	}
	return command
}

// poll100 is the configuration for short watches at the machine's own speed.
const poll100 = `
data = %q
[page]
listen = "127.0.0.1:0"
[supply.bench]
port = "PORT"
range_voltage = "32 V"
range_current = "5 A"
[supply.bench.accuracy]
current_gain = "0.1 %%"
current_offset = "5 mA"
current_resolution = "1 mA"
[cell.zinc-1]
supply = "bench"
poll = "100 ms"
gap_after = "30 s" # a busy machine may stand still for seconds
`

// TestFaketime runs the watch under libfaketime, with a wall clock that is said to
// stand elsewhere and to run at double speed.
//
// libfaketime takes the place of libc's functions for the time. Go asks the kernel
// itself (through its vDSO), so that libfaketime does not reach it: another program
// sees the false time, nightcell goes on with the true one, and neither charge nor stamps
// change. Steps of the wall clock that nightcell does see are tested with an injected
// clock, in TestWallClockSteps and its neighbours of package daemon.
func TestFaketime(t *testing.T) {
	t.Parallel()
	tool := realOrSkip(t, "faketime")
	for _, lie := range []string{"-1h", "+1h x2", "1970-01-01 00:00:30"} {
		t.Run(lie, func(t *testing.T) {
			t.Parallel()
			dir := filepath.Join(t.TempDir(), "data")
			b := newBench(t, 1, live, fmt.Sprintf(poll100, dir))
			faked := fake(t, tool, lie)
			out, err := exec.Command(faked[0], append(faked[1:], "date", "-u", "+%s")...).CombinedOutput()
			var told int64
			if _, serr := fmt.Sscan(string(out), &told); err != nil || serr != nil {
				t.Fatalf("faketime date: %v, %v: %s", err, serr, out)
			}
			if d := time.Since(time.Unix(told, 0)).Abs(); d < 50*time.Minute {
				t.Fatalf("libfaketime does not work here: date is off by %v only", d)
			}
			began := time.Now()
			before := b.supply.Truth(1).Charge
			v, maps := stretch(t, append(slices.Clone(faked), program), b, dir, 20)
			truth := b.supply.Truth(1).Charge - before
			if v.Totals.Gaps != 0 || v.Totals.Charge <= 0 || v.Totals.Charge > truth+2*v.Totals.StandardUncertainty {
				t.Errorf("%+v; %.3f C were delivered from before the first reading until after the last", v, truth)
			}
			// What the readings say was delivered while they were taken, against a clock that nobody fakes.
			readings := records(t, dir, runlog.KindReading)
			var elapsed time.Duration
			for _, r := range readings {
				elapsed += r.Step
				if at := time.Unix(0, r.Nanos); at.Before(began.Add(-time.Second)) || at.After(time.Now().Add(time.Second)) {
					t.Errorf("a reading is stamped %v; it was taken between %v and now", at.UTC(), began.UTC())
				}
			}
			if most := time.Since(began); elapsed > most || v.Totals.Charge > 3.01*most.Seconds() || v.Totals.Charge < 2.9*elapsed.Seconds() {
				t.Errorf("%.3f C counted in %v of readings, taken within %v at 3 A", v.Totals.Charge, elapsed, most)
			}
			t.Logf("%d readings over %v, %.3f C, stamped with the true time; libfaketime loaded into the process: %v",
				len(readings), elapsed.Round(time.Millisecond), v.Totals.Charge, bytes.Contains(maps, []byte("libfaketime")))
		})
	}
}
