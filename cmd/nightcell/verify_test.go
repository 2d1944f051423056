package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// exampleRun writes a run of 100 s at 3 A with one gap and an alarm, and returns its directory.
func exampleRun(t *testing.T) string {
	t.Helper()
	begin := time.Date(2026, 1, 10, 20, 0, 0, 0, time.UTC)
	s := integrate.Settings{GapAfter: 10 * time.Second, GainRelative: 0.001, OffsetAmperes: 0.005}
	c := integrate.NewCoulometer(s)
	w, err := runlog.Create(t.TempDir(), "zinc-1", begin, nil, runlog.Options{Sync: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	failed := w.Begin(begin, s, "zinc from a spent pickle")
	for i := range 91 {
		at := time.Duration(i) * time.Second
		if i == 90 {
			at += 10 * time.Second
		}
		step, err := c.Add(integrate.Sample{At: at, Volts: 3.2, Amperes: 3}, integrate.Evidence{})
		failed = errors.Join(failed, err)
		if step.IsGap {
			failed = errors.Join(failed, w.Gap(begin.Add(at), "late", step.Gap, integrate.Evidence{}))
		}
		failed = errors.Join(failed, w.Reading(begin.Add(at), step.Elapsed, 3.2, 3, "constant-current", "on", drivers.Shown{}))
	}
	end := begin.Add(101 * time.Second)
	failed = errors.Join(failed,
		w.Alarm(end, "supply-silent", runlog.Text("state", "UNACK"), runlog.Text("priority", "high"), runlog.Number("value", 0), runlog.Text("text", `no reply, "again"`)),
		w.Entry(end, runlog.EntryEnd, "done"), w.Checkpoint(end, c), w.Close())
	if failed != nil {
		t.Fatal(failed)
	}
	return w.Run()
}

// command runs one command as main does and returns what it printed and its exit code.
func command(t *testing.T, make func(*shell) *cobra.Command, args ...string) (out, problem string, code int) {
	t.Helper()
	var o, e bytes.Buffer
	s := &shell{in: strings.NewReader(""), out: &o, err: &e}
	cmd := make(s)
	cmd.SilenceUsage, cmd.SilenceErrors = true, true
	cmd.SetArgs(append([]string{}, args...)) // nil would mean the test's own
	cmd.SetOut(&o)
	cmd.SetErr(&e)
	err := cmd.Execute()
	var usage usageError
	switch {
	case errors.As(err, &usage):
		code = 2
	case err != nil:
		code = 1
	}
	if err != nil && !errors.Is(err, errSilent) {
		e.WriteString(err.Error())
	}
	return o.String(), e.String(), code
}

func TestVerifyTellsSoundFromDamaged(t *testing.T) {
	run := exampleRun(t)
	out, problem, code := command(t, newVerifyCommand, run)
	if code != 0 || problem != "" || !strings.Contains(out, "sound: every stored total follows") {
		t.Fatalf("exit %d, %s\n%s", code, problem, out)
	}
	if !strings.Contains(out, " A·h of it, and 0.000 to 0.029 W·h of the energy") || !regexp.MustCompile(`energy +[0-9.]+ ± [0-9.]+ W·h \(k = 2\)`).MatchString(out) {
		t.Errorf("the energy stands without its doubt and its gap:\n%s", out)
	}
	r, err := runlog.ReplayFile(run)
	if err != nil {
		t.Fatal(err)
	}
	// 3 A for 89 s, and a gap of 11 s of which nothing is known: half of it, 283.5 C.
	if want := 3*89 + 3*11/2.0; r.Totals.Charge != want || r.Totals.Low() >= 3*89 || r.Totals.High() <= 3*100 || !r.Ended {
		t.Errorf("want %v C, got %+v", want, r.Totals)
	}
	byFile, _, code := command(t, newVerifyCommand, filepath.Join(run, runlog.LogName))
	if code != 0 || byFile != out || !strings.Contains(out, ", 91 readings, ") || !strings.Contains(out, "; gaps: 1\n") || !regexp.MustCompile(`charge +0\.0788 ± `).MatchString(out) {
		t.Errorf("exit %d\n%s", code, byFile)
	}

	log := filepath.Join(run, runlog.LogName)
	data, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, []byte("amperes=3,")) + len("amperes=")
	data[at] = '9'
	if err := os.WriteFile(log, data, 0o600); err != nil {
		t.Fatal(err)
	}
	out, _, code = command(t, newVerifyCommand, run)
	if code != 1 || !strings.Contains(out, "NOT sound") || !strings.Contains(out, "damage") {
		t.Errorf("exit %d for a changed digit\n%s", code, out)
	}
}

func TestVerifyAndExportRefuseWhatIsNoRun(t *testing.T) {
	for _, make := range []func(*shell) *cobra.Command{newVerifyCommand, newExportCommand} {
		if _, problem, code := command(t, make); code != 2 || !strings.Contains(problem, "with RUN its directory") {
			t.Errorf("no argument: exit %d, %q", code, problem)
		}
		if _, problem, code := command(t, make, t.TempDir()); code != 2 || !strings.Contains(problem, "a run is a directory that contains log.lp") {
			t.Errorf("an empty directory: exit %d, %q", code, problem)
		}
	}
	for _, args := range [][]string{{"--as", "xml"}, {"--what", "all"}, {"--as", "line-protocol", "--what", "sums"}} {
		if _, problem, code := command(t, newExportCommand, append(args, "x")...); code != 2 || !strings.Contains(problem, args[len(args)-1]) {
			t.Errorf("%v: exit %d, %q", args, code, problem)
		}
	}
}

func TestExport(t *testing.T) {
	run := exampleRun(t)
	out, problem, code := command(t, newExportCommand, run)
	if code != 0 {
		t.Fatal(problem)
	}
	rows, err := csv.NewReader(strings.NewReader(out)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if last := rows[len(rows)-1]; len(rows) != 92 || last[1] != "100" || last[2] != "11" || last[7] != "true" || last[8] != "283.5" {
		t.Errorf("%d rows, the last %q", len(rows), last)
	}
	file := filepath.Join(t.TempDir(), "events.csv")
	if _, problem, code = command(t, newExportCommand, run, "--what", "events", "-o", file); code != 0 {
		t.Fatal(problem)
	}
	events, err := os.ReadFile(file)
	if err != nil || !strings.Contains(string(events), `supply-silent,"no reply, ""again"""`) {
		t.Errorf("%v in %s", err, events)
	}
	if _, problem, code = command(t, newExportCommand, run, "-o", file); code != 2 || !strings.Contains(problem, "the file exists") {
		t.Errorf("exit %d, %q", code, problem)
	}
	out, _, _ = command(t, newExportCommand, run, "--as", "line-protocol")
	log, err := os.ReadFile(filepath.Join(run, runlog.LogName))
	if err != nil || out != string(log) {
		t.Errorf("%v; the exported lines differ from the log", err)
	}
}
