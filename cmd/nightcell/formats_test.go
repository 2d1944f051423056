package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"nightcell/configs"
	"nightcell/daemon/backup"
	"nightcell/daemon/runlog"
)

// TestEveryFormIsRead keeps a run of every form of the log readable for ever: configuration, log, late entries and what the
// routes have told. A form without its golden run is refused, and so is a file there that nobody reads.
func TestEveryFormIsRead(t *testing.T) {
	const golden = "../../testdata/formats"
	forms, err := os.ReadDir(golden)
	if err != nil || len(forms) != runlog.Format {
		t.Fatalf("%d golden forms of %d, %v: a new form of the log needs a run in testdata/formats/%d", len(forms), runlog.Format, err, runlog.Format)
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
		code := run([]string{"verify", "--json", runs[0]}, s)
		// Processors that multiply and add at once round otherwise in the last place.
		if diff := cmp.Diff(verdictIn(t, want), verdictIn(t, out.Bytes()), cmpopts.EquateApprox(1e-9, 0)); diff != "" || code != 0 {
			t.Errorf("form %d is read as, code %d, %s\n%s", form, code, said.String(), diff)
		}
		if code := run([]string{"account", runs[0]}, s); code != 0 || !strings.Contains(out.String(), "2.900 ± 0.023 g") {
			t.Errorf("form %d: the account, code %d, %s\n%s", form, code, said.String(), out.String())
		}
		open(t, form, filepath.Join(runs[0], runlog.LogName))
	}
}

// verdictIn is what verify says, without where the run lies.
func verdictIn(t *testing.T, text []byte) map[string]any {
	t.Helper()
	var v map[string]any
	if err := json.Unmarshal(text, &v); err != nil {
		t.Fatalf("%v\n%s", err, text)
	}
	delete(v, "run_directory")
	return v
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

// TestANewerLogIsLeftAlone: a program that is older than the log says so in a sentence, and changes nothing.
func TestANewerLogIsLeftAlone(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "runs", "zinc-1", "20270101T200000Z")
	if err := os.MkdirAll(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("entry,cell=zinc-1 kind=\"begin\",format=%di,colour=\"new\" 1798833600000000000\nsomething,cell=zinc-1 new=1 1798833601000000000\n", runlog.Format+1)
	log := filepath.Join(dir, runlog.LogName)
	if err := os.WriteFile(log, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	_, _, resumed := runlog.Resume(dir, runlog.Options{})
	_, tailed := runlog.TailOf(dir)
	_, replayed := runlog.ReplayFile(dir)
	for what, err := range map[string]error{"resume": resumed, "tail": tailed, "replay": replayed} {
		if err == nil || !strings.Contains(err.Error(), "a newer nightcell has written this log") {
			t.Errorf("%s: %v", what, err)
		}
	}
	if now, err := os.ReadFile(log); err != nil || string(now) != text {
		t.Errorf("the log is now %q, %v", now, err)
	}
}
