//go:build linux

package campaign

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
	"nightcell/drivers/simulated"
	"nightcell/integrate/matter"
)

// verify runs the shipped command, whose exit code must be 0, and holds what it says against a replay here, which it returns.
func verify(t *testing.T, run string) *runlog.Report {
	t.Helper()
	cmd := exec.Command(program, "verify", run)
	var complaint bytes.Buffer
	cmd.Stderr = &complaint
	out, err := cmd.Output()
	if err != nil {
		t.Errorf("nightcell verify: %v\n%s%s", err, out, complaint.String())
	}
	r, err := runlog.ReplayFile(run)
	if err != nil {
		t.Fatal(err)
	}
	counted := report.Show(matter.Figure{Value: r.Totals.Charge, StandardUncertainty: r.Totals.StandardUncertainty}, report.AmpereHours)
	for _, want := range []string{fmt.Sprintf(" %d readings,", r.Readings), fmt.Sprintf("; gaps: %d\n", r.Totals.Gaps), " " + counted + " (k = 2)\n", "sound: every stored total follows"} {
		if !strings.Contains(string(out), want) {
			t.Errorf("nightcell verify does not say %q:\n%s", want, out)
		}
	}
	return r
}

// judge lets the product's own check speak, the log itself, and the simulator's truth.
func judge(t *testing.T, run string, truth simulated.Truth, sum *tally) {
	t.Helper()
	v := verify(t, run)
	if !v.Sound() || !v.Ended {
		t.Errorf("the run is not sound or has not ended: %+v", v)
	}
	total := v.Totals
	// Low and High hold all but the gaps at k = 2 already.
	if truth.Charge < total.Low() || truth.Charge > total.High() {
		t.Errorf("the true charge of %.1f C is outside %.1f to %.1f C", truth.Charge, total.Low(), total.High())
	}
	// The output was on all the while, so that the evidence is right and the best value good.
	if off := total.Charge - truth.Charge; math.Abs(off) > 2*total.StandardUncertainty {
		t.Errorf("counted %.1f C, truly %.1f C: off by more than 2 u = %.1f C", total.Charge, truth.Charge, 2*total.StandardUncertainty)
	}
	if truth.Output {
		t.Error("the output is still on")
	}
	sum.walk(t, run, v)
	t.Logf("seed %d: %d kills, %d of them with a full disk, the disk filled %d times; the line opened anew %d times without a kill; %d readings", *seed,
		sum.kills, sum.killsFull, sum.fills, sum.reopened, v.Readings)
	t.Logf("refused: %v", sum.refused)
	t.Logf("readings lost: %d that waited in memory for a full disk at a kill, and none other of those shown before a kill", sum.lost)
	t.Logf("%d gaps (%v), worst %v, together %v of %v; they hold %.0f to %.0f C", total.Gaps, sum.gapKinds, sum.worstGap.Round(time.Second),
		sum.dark.Round(time.Second), total.Elapsed.Round(time.Second), total.GapLow, total.GapHigh)
	t.Logf("the truth lay in the range that was shown at %d of %d kills; at worst the counted charge was off by %.2f u", sum.inside, sum.looks, sum.worstOff)
	t.Logf("at the end: counted %.1f C ± %.1f C (k = 2), stated %.1f to %.1f C, truly %.1f C", total.Charge, 2*total.StandardUncertainty, total.Low(), total.High(), truth.Charge)
}

// walk reads the log line by line: time stamps strictly increase, every step is that
// between the stamps, no reading is there twice.
func (sum *tally) walk(t *testing.T, run string, v *runlog.Report) {
	t.Helper()
	r, err := runlog.Open(run)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	sum.gapKinds = map[string]int{}
	var rec runlog.Record
	last, lastReading, readings := int64(0), int64(0), int64(0)
	for {
		err := r.Next(&rec)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if rec.Nanos <= last {
			t.Errorf("the time stamp %d of a %s does not come after %d", rec.Nanos, rec.Kind, last)
		}
		last = rec.Nanos
		switch rec.Kind {
		case runlog.KindReading:
			between := time.Duration(rec.Nanos - lastReading)
			if readings++; readings > 1 && (rec.Step <= 0 || (rec.Step-between).Abs() > time.Millisecond) {
				t.Errorf("reading %d is %v after the one before by its step and %v by its stamp", readings, rec.Step, between)
			}
			lastReading = rec.Nanos
		case runlog.KindGap:
			length, _ := rec.Integer("length")
			sum.worstGap = max(sum.worstGap, time.Duration(length))
			sum.dark += time.Duration(length)
			sum.gapKinds[rec.Text("kind")]++
		}
	}
	if readings != v.Readings {
		t.Errorf("%d readings in the log, nightcell verify counts %d", readings, v.Readings)
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

// grown reads the log and asks that nothing of what it held before has changed: only
// a torn line at its end may have gone.
func (sum *tally) grown(t *testing.T, path string) {
	t.Helper()
	now, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	whole := sum.log[:bytes.LastIndexByte(sum.log, '\n')+1]
	if !bytes.HasPrefix(now, whole) {
		t.Fatalf("kill %d: the log of %d bytes does not begin with the %d that were there at the kill before", sum.kills, len(now), len(whole))
	}
	sum.log = now
}

// readings counts the whole readings of the log as it was last read.
func (sum *tally) readings() int {
	whole := sum.log[:bytes.LastIndexByte(sum.log, '\n')+1]
	return bytes.Count(whole, []byte("\nreading,"))
}
