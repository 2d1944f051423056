package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightcell/configs"
	"nightcell/daemon/backup"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
)

// TestEveryFormIsRead keeps a run of every form of the log readable for ever: configuration, log, late entries, ledgers and what the
// routes have told. A form without its golden run is refused, and so is a file there that nobody reads.
func TestEveryFormIsRead(t *testing.T) {
	const golden = "../../testdata/formats"
	forms, err := os.ReadDir(golden)
	if err != nil || len(forms) != runlog.Format || configs.Format != runlog.Format {
		t.Fatalf("%d golden forms, %v; that of logs and ledgers is %d, that of configurations %d: they rise together, and a new form needs a run in testdata/formats", len(forms), err, runlog.Format, configs.Format)
	}
	for form := 1; form <= runlog.Format; form++ {
		folder := filepath.Join(golden, fmt.Sprint(form))
		if _, err := configs.Load(filepath.Join(folder, "night.toml")); err != nil {
			t.Error(err)
		}
		data := filepath.Join(t.TempDir(), "data")
		done, err := backup.Copy(filepath.Join(folder, "data"), data, nil)
		if err != nil || done.Runs == 0 || len(done.Unsound) > 0 {
			t.Fatalf("form %d: %+v, %v", form, done, err)
		}
		nobody := done.Files + 2 // with the configuration and the verdict
		err = filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
			if err == nil && !d.IsDir() {
				nobody--
			}
			return err
		})
		if err != nil || nobody != 0 {
			t.Errorf("form %d: %d files are read that are not there (below zero: lie there and nobody reads them), %v", form, nobody, err)
		}
		runs, err := filepath.Glob(filepath.Join(data, "runs", "*", "*"))
		if err != nil || len(runs) != 1 {
			t.Fatalf("form %d: %v, %v", form, runs, err)
		}
		var out, said bytes.Buffer
		s := &shell{in: strings.NewReader(""), out: &out, err: &said}
		want, err := os.ReadFile(filepath.Join(folder, "verdict.json"))
		if err != nil {
			t.Fatal(err)
		}
		code := run([]string{"verify", runs[0]}, s)
		// Processors that multiply and add at once round otherwise in the last place.
		if diff := cmp.Diff(writtenDown(t, want), comesTo(t, runs[0]), cmpopts.EquateApprox(1e-9, 0)); diff != "" || code != 0 {
			t.Errorf("form %d is read as, code %d, %s\n%s", form, code, said.String(), diff)
		}
		if code := run([]string{"account", runs[0]}, s); code != 0 || !strings.Contains(out.String(), "2.900 ± 0.023 g") {
			t.Errorf("form %d: the account, code %d, %s\n%s", form, code, said.String(), out.String())
		}
		for kind, says := range map[string]string{"bath": "0.860 ± 0.028 L", "electrode": "18.200 ± 0.023 g"} {
			names, err := os.ReadDir(filepath.Join(data, kind+"s"))
			if err != nil || len(names) != 1 {
				t.Fatalf("form %d: %d ledgers of a %s, %v", form, len(names), kind, err)
			}
			out.Reset()
			verified := run([]string{"verify", filepath.Join(data, kind+"s", names[0].Name())}, s)
			shown := run([]string{kind, "show", names[0].Name(), "--data", data}, s)
			if verified != 0 || shown != 0 || !strings.Contains(out.String(), says) {
				t.Errorf("form %d: the ledger of a %s, codes %d and %d, %s\n%s", form, kind, verified, shown, said.String(), out.String())
			}
		}
		open(t, form, filepath.Join(runs[0], runlog.LogName))
	}
}

// outcome is what a run comes to.
type outcome struct {
	Cell          string                `json:"cell"`
	Sound         bool                  `json:"sound"`
	Ended         bool                  `json:"ended"`
	Lines         int64                 `json:"lines"`
	Readings      int64                 `json:"readings"`
	Gaps          int                   `json:"gaps"`
	Checkpoints   int64                 `json:"checkpoints"`
	LogBytes      int64                 `json:"log_bytes"`
	Charge        float64               `json:"charge_coulombs"`
	Uncertainty   float64               `json:"charge_standard_uncertainty_coulombs"`
	Low           float64               `json:"charge_low_coulombs"`
	High          float64               `json:"charge_high_coulombs"`
	Energy        float64               `json:"energy_joules"`
	Elapsed       float64               `json:"elapsed_seconds"`
	Observed      float64               `json:"observed_seconds"`
	Budget        []integrate.Component `json:"budget"`
	DamageCount   int64                 `json:"damage_count"`
	Contradicting []runlog.Mismatch     `json:"contradicting_checkpoints"`
	LostLines     int64                 `json:"lost_lines"`
	Unchecked     int64                 `json:"unchecked_bytes"`
	Torn          int64                 `json:"torn_bytes"`
	Beside        struct {
		Sound   bool `json:"sound"`
		Entries int  `json:"late_entries"`
	} `json:"beside_the_log"`
}

// writtenDown are those that were written down when the run was made.
func writtenDown(t *testing.T, text []byte) (f outcome) {
	t.Helper()
	if err := json.Unmarshal(text, &f); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	return f
}

// comesTo are those that its files give now.
func comesTo(t *testing.T, run string) outcome {
	t.Helper()
	r, err := runlog.ReplayFile(run)
	if err != nil {
		t.Fatal(err)
	}
	beside, err := lookBeside(run)
	if err != nil {
		t.Fatal(err)
	}
	total := r.Totals
	f := outcome{
		Cell: r.Cell, Sound: r.Sound() && beside.sound(), Ended: r.Ended, Lines: r.Lines, Readings: r.Readings, Gaps: total.Gaps, Checkpoints: r.Checkpoints, LogBytes: r.Bytes,
		Charge: total.Charge, Uncertainty: total.StandardUncertainty, Low: total.Low(), High: total.High(), Energy: total.Energy,
		Elapsed: total.Elapsed.Seconds(), Observed: total.Observed.Seconds(), Budget: total.Budget.Components(), DamageCount: r.DamageCount,
		Contradicting: append([]runlog.Mismatch{}, r.Mismatches...), LostLines: r.LostLines, Unchecked: r.UncheckedBytes, Torn: r.TornBytes,
	}
	f.Beside.Sound, f.Beside.Entries = beside.sound(), len(runlog.Counting(beside.Records))
	return f
}

// open takes up the run as a watch does that was killed in the middle of it.
func open(t *testing.T, form int, log string) {
	t.Helper()
	info, err := os.Stat(log)
	if err == nil {
		err = os.Truncate(log, info.Size()*3/5)
	}
	if err != nil {
		t.Fatal(err)
	}
	w, tail, err := runlog.Resume(filepath.Dir(log), runlog.Options{})
	if err != nil {
		t.Fatalf("form %d: %v", form, err)
	}
	if charge := tail.Coulometer.Totals().Charge; tail.Ended || len(tail.Damage) > 0 || tail.Doubt != nil || charge < 1000 {
		t.Errorf("form %d is taken up with %g C, ended %t, %v, %v", form, charge, tail.Ended, tail.Damage, tail.Doubt)
	}
	if err := w.Close(); err != nil {
		t.Error(err)
	}
}

// TestANewerLogIsLeftAlone: a program that is older than the log says so in a sentence, and changes nothing, also where a later line alone names
// the form.
func TestANewerLogIsLeftAlone(t *testing.T) {
	for at, text := range map[string]string{
		"first": "entry,cell=zinc-1 kind=\"begin\",format=%di,colour=\"new\" 1798833600000000000\nsomething,cell=zinc-1 new=1 1798833601000000000\n",
		"later": "entry,cell=zinc-1 kind=\"note\",text=\"old\" 1798833600000000000\nentry,cell=zinc-1 kind=\"colour\",format=%di 1798833601000000000\n",
	} {
		dir := filepath.Join(t.TempDir(), "runs", "zinc-1", "20270101T200000Z")
		if err := os.MkdirAll(dir, 0o700); err != nil {
			t.Fatal(err)
		}
		text = fmt.Sprintf(text, runlog.Format+1)
		log := filepath.Join(dir, runlog.LogName)
		if err := os.WriteFile(log, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, _, resumed := runlog.Resume(dir, runlog.Options{})
		_, tailed := runlog.TailOf(dir)
		_, replayed := runlog.ReplayFile(dir)
		for what, err := range map[string]error{"resume": resumed, "tail": tailed, "replay": replayed} {
			if err == nil || !strings.Contains(err.Error(), "a newer nightcell has written this file") {
				t.Errorf("%s, %s: %v", at, what, err)
			}
		}
		if now, err := os.ReadFile(log); err != nil || string(now) != text {
			t.Errorf("%s: the log is now %q, %v", at, now, err)
		}
	}
}

// TestANewerLedgerIsLeftAlone: likewise of late entries and ledgers, whatever reads or would write them.
func TestANewerLedgerIsLeftAlone(t *testing.T) {
	const golden = "../../testdata/formats/1/data"
	data := filepath.Join(t.TempDir(), "data")
	if err := os.CopyFS(data, os.DirFS(golden)); err != nil {
		t.Fatal(err)
	}
	runs, err := filepath.Glob(filepath.Join(data, "runs", "*", "*"))
	if err != nil || len(runs) != 1 {
		t.Fatal(runs, err)
	}
	bath := filepath.Join(data, "baths", "zinc-1")
	newer := func(open func() (*runlog.LateWriter, error)) {
		w, err := open()
		if err == nil {
			_, err = w.Append(time.Now(), "something", "new", runlog.Integer("format", runlog.Format+1))
		}
		if err = errors.Join(err, w.Close()); err != nil {
			t.Fatal(err)
		}
	}
	newer(func() (*runlog.LateWriter, error) { return runlog.OpenLedger(bath, "zinc-1", time.Second) })
	newer(func() (*runlog.LateWriter, error) { return runlog.OpenLate(runs[0]) })
	files := map[string][]byte{filepath.Join(bath, runlog.LedgerName): nil, filepath.Join(runs[0], runlog.LateName): nil}
	for path := range files {
		if files[path], err = os.ReadFile(path); err != nil {
			t.Fatal(err)
		}
	}
	for _, args := range [][]string{
		{"bath", "show", "zinc-1", "--data", data},
		{"enter", "--bath", "zinc-1", "water", "volume=-10 mL", "--data", data},
		{"verify", bath},
		{"verify", runs[0]},
		{"account", runs[0]},
		{"enter", "zinc-1", "remark", "too late", "--run", runs[0]},
	} {
		var said bytes.Buffer
		code := run(args, &shell{in: strings.NewReader(""), out: &said, err: &said})
		if code == 0 || !strings.Contains(said.String(), "a newer nightcell has written this file, in form 3") {
			t.Errorf("%v: exit code %d, %s", args, code, said.String())
		}
	}
	for path, before := range files {
		if now, err := os.ReadFile(path); err != nil || !bytes.Equal(now, before) {
			t.Errorf("%s was changed, %v", path, err)
		}
	}
}

// TestANewerConfigurationIsLeftAlone: one sentence, not a list of keys that are not known yet.
func TestANewerConfigurationIsLeftAlone(t *testing.T) {
	_, err := configs.Parse("night.toml", fmt.Appendf(nil, "format = %d\nmoon = \"new\"\n", configs.Format+1))
	if err == nil || err.Error() != "night.toml:1: format: this configuration is of form 3, for a newer nightcell; this one reads forms up to 2; use the newer one" {
		t.Error(err)
	}
	text, err := os.ReadFile("../../testdata/formats/1/night.toml")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := configs.Parse("night.toml", append([]byte("format = 1\n"), text...)); err != nil {
		t.Error(err)
	}
}
