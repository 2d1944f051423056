package campaign

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

var (
	kills = flag.Int("campaign", 8, "how many times the watch is killed; 300 makes a campaign")
	seed  = flag.Uint64("seed", 1, "seed of the moments and of the faults")
)

const speed = 300 // twelve hours in about two and a half minutes

// night is a rough one: the line goes wrong in every way now and then, and the cable
// is pulled. The operator switches the output on after five minutes.
const night = `
name = "campaign"
[supply]
output = "off"
[[event]]
at = "5 min"
kind = "panel"
output = "on"
[[event]]
at = "20 min"
kind = "garbage"
chance = 0.5
lasts = "2 min"
repeat = "31 min"
[[event]]
at = "25 min"
kind = "dropped-characters"
chance = 0.05
lasts = "5 min"
repeat = "37 min"
[[event]]
at = "30 min"
kind = "echo"
lasts = "1 min"
repeat = "47 min"
[[event]]
at = "40 min"
kind = "unplug"
lasts = "3 min"
repeat = "53 min"
[[event]]
at = "45 min"
kind = "silence"
lasts = "2 min"
repeat = "59 min"
[[event]]
at = "50 min"
kind = "special-value"
value = "not-a-number"
chance = 0.3
lasts = "2 min"
repeat = "41 min"
`

const config = `
data = %q
[page]
listen = "127.0.0.1:0"
[supply.bench]
port = %q
identity = "EXAMPLE,PS-30-5"
range_voltage = "32 V"
range_current = "5 A"
[supply.bench.accuracy]
current_gain = "0.1 %%"
current_offset = "5 mA"
current_resolution = "1 mA"
[supply.bench.dialect]
timeout = "100 ms"
[cell.zinc-1]
supply = "bench"
poll = "5 s"
sync = "1 min"
may = ["off"]
at_target = "off"
reason = "a test"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L"
salts = [{ formula = "ZnSO4·7H2O", mass = "250 g", assay = "99.9 %%" }]
[cell.zinc-1.target]
charge = "%g A h"
[cell.zinc-1.efficiency]
fixed = "88 %%"
[cell.zinc-1.electrodes]
cathode_area = "60 cm2"
[cell.zinc-1.working]
current = "3 A"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6.5 V"
`

// tally is what the campaign came to.
type tally struct {
	kills, fills    int
	worstGap        time.Duration
	checkedReadings float64 // that were in the log at a kill and are still
}

// TestCampaign kills the watch at random moments of a whole run; afterwards the log
// is sound, no durable reading is missing, and the truth lies in the stated range.
func TestCampaign(t *testing.T) {
	random := rand.New(rand.NewPCG(*seed, 1))
	program := binary(t)
	dir, full := dataDisk(t)
	clock := drivers.NewClock(speed)
	scenario, err := simulated.ParseScenario("campaign", []byte(night))
	if err != nil {
		t.Fatal(err)
	}
	bench, err := simulated.New(simulated.Setup{Clock: clock, Seed: int64(*seed), Scenario: scenario})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	port, err := simulated.Serve(ctx, bench, "")
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := port.Close(); err != nil {
			t.Error(err)
		}
	}()
	file := filepath.Join(t.TempDir(), "nightcell.toml")
	hours := math.Min(12, 0.6+float64(*kills)*0.045)
	if err := os.WriteFile(file, fmt.Appendf(nil, config, dir, port.Path(), 3*hours), 0o600); err != nil {
		t.Fatal(err)
	}
	var sum tally
	for sum.kills < *kills {
		w := startWatch(t, program, file, speed)
		wait(t, time.Duration(50+random.IntN(500))*time.Millisecond)
		if full != nil && random.IntN(6) == 0 {
			full(t, time.Duration(100+random.IntN(400))*time.Millisecond)
			sum.fills++
		}
		durable := 0.0
		if waiting, ok := w.metric("nightcell_log_waiting_bytes"); ok && waiting == 0 {
			durable, _ = w.metric("nightcell_readings_total")
		}
		w.kill(t)
		sum.kills++
		if durable > 0 {
			if have := readingsIn(t, logOf(t, dir)); have < durable {
				t.Fatalf("kill %d: the log holds %.0f readings, %.0f had been written", sum.kills, have, durable)
			}
			sum.checkedReadings = durable
		}
		wait(t, time.Duration(random.IntN(60))*time.Millisecond)
	}
	finish(t, startWatch(t, program, file, speed))
	judge(t, dir, bench.Truth(1), &sum)
}

// finish lets the last process reach the target and stop.
func finish(t *testing.T, w *watch) {
	t.Helper()
	deadline := time.Now().Add(4 * time.Minute)
	for ended := 0.0; ended != 1; ended, _ = w.metric("nightcell_run_ended") {
		wait(t, 50*time.Millisecond)
		if time.Now().After(deadline) {
			t.Fatalf("the run did not end\n%s", w.log)
		}
	}
	if err := w.stop(t); err != nil {
		t.Errorf("stopping: %v\n%s", err, w.log)
	}
}

// judge lets the product's own check speak, and the simulator's truth.
func judge(t *testing.T, dir string, truth simulated.Truth, sum *tally) {
	t.Helper()
	run := filepath.Dir(logOf(t, dir))
	report, err := runlog.ReplayFile(run)
	if err != nil {
		t.Fatal(err)
	}
	if !report.Sound() || !report.Ended {
		t.Errorf("the log is not sound: %d damages %v, mismatches %v, %d lost lines, ended %v",
			report.DamageCount, report.Damage, report.Mismatches, report.LostLines, report.Ended)
	}
	checkOrder(t, run, sum)
	low, high := report.Totals.Low()-2*report.Totals.StandardUncertainty, report.Totals.High()+2*report.Totals.StandardUncertainty
	if truth.Charge < low || truth.Charge > high {
		t.Errorf("the true charge of %.1f C is outside %.1f to %.1f C", truth.Charge, low, high)
	}
	off := report.Totals.Charge - truth.Charge
	if math.Abs(off) > 2*report.Totals.StandardUncertainty {
		t.Errorf("counted %.1f C, truly %.1f C: off by more than 2 u = %.1f C", report.Totals.Charge, truth.Charge, 2*report.Totals.StandardUncertainty)
	}
	if truth.Output {
		t.Error("the output is still on")
	}
	t.Logf("seed %d: %d kills, %d full disks, %d readings, %d gaps, worst %v; counted %.1f C ± %.1f (k = 2), truly %.1f C; gaps hold %.0f to %.0f C",
		*seed, sum.kills, sum.fills, report.Totals.Readings, report.Totals.Gaps, sum.worstGap.Round(time.Second),
		report.Totals.Charge, 2*report.Totals.StandardUncertainty, truth.Charge, report.Totals.GapLow, report.Totals.GapHigh)
}

// checkOrder reads the log line by line: time stamps strictly increase, no reading is there twice.
func checkOrder(t *testing.T, run string, sum *tally) {
	t.Helper()
	r, err := runlog.Open(run)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var rec runlog.Record
	last, readings := int64(0), 0
	for {
		err := r.Next(&rec)
		if errors.Is(err, io.EOF) {
			return
		}
		if err != nil {
			t.Fatal(err)
		}
		if rec.Nanos <= last {
			t.Errorf("the time stamp %d of a %s does not come after %d", rec.Nanos, rec.Kind, last)
		}
		last = rec.Nanos
		if rec.Kind == runlog.KindReading {
			if readings++; readings > 1 && rec.Step <= 0 {
				t.Errorf("reading %d is %v after the one before", readings, rec.Step)
			}
		}
		if n, ok := rec.Integer("length"); ok && rec.Kind == runlog.KindGap {
			sum.worstGap = max(sum.worstGap, time.Duration(n))
			best, _ := rec.Number("best")
			high, _ := rec.Number("high")
			t.Logf("gap %s of %v: best %.1f C of at most %.1f C; on %v %v, same %v, unchanged %v", rec.Text("kind"), time.Duration(n).Round(time.Second),
				best, high, rec.Flag("on_before"), rec.Flag("on_after"), rec.Flag("same"), rec.Flag("unchanged"))
		}
	}
}

// logOf finds the one log below a data directory.
func logOf(t *testing.T, dir string) string {
	t.Helper()
	logs, err := filepath.Glob(filepath.Join(dir, "runs", "zinc-1", "*", runlog.LogName))
	if err != nil || len(logs) != 1 {
		t.Fatalf("%d logs below %s: %v; a killed watch must take up its run and begin no other", len(logs), dir, err)
	}
	return logs[0]
}

// wait lets real time pass while other processes work.
func wait(t *testing.T, d time.Duration) {
	t.Helper()
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-t.Context().Done():
	}
}

// dataDisk is a small disk of its own where the machine lets us mount one, with a
// way to fill it for a while; elsewhere a plain folder and no way.
func dataDisk(t *testing.T) (dir string, full func(*testing.T, time.Duration)) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "data")
	if err := os.Mkdir(dir, 0o750); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=64m", "tmpfs", dir).CombinedOutput(); err != nil {
		t.Logf("no disk of its own (%v: %s): it is not filled in this run", err, out)
		return dir, nil
	}
	t.Cleanup(func() {
		if out, err := exec.Command("umount", dir).CombinedOutput(); err != nil {
			t.Errorf("unmounting: %v: %s", err, out)
		}
	})
	return dir, func(t *testing.T, length time.Duration) {
		t.Helper()
		ballast := filepath.Join(dir, "ballast")
		f, err := os.Create(ballast)
		if err != nil {
			return // no room even for that: it is full already
		}
		block := make([]byte, 1<<16)
		for err == nil {
			_, err = f.Write(block)
		}
		for n := len(block); n > 0; n /= 2 { // to the last byte
			_, _ = f.Write(block[:n])
		}
		_ = f.Close() // it is only ballast
		wait(t, length)
		if err := os.Remove(ballast); err != nil && !errors.Is(err, fs.ErrNotExist) {
			t.Fatal(err)
		}
	}
}
