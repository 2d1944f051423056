package late

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

const frozen = `
data = "data"
[supply.bench]
port = "supply"
range_voltage = "32 V"
range_current = "5 A"
[cell.zinc-1]
supply = "bench"
poll = "1 s"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L"
salts = [{ formula = "ZnSO4·7H2O", mass = "250 g" }]
[cell.zinc-1.efficiency]
fixed = "90 %"
[cell.zinc-1.target]
recover = "85 %"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6.5 V"
`

var begin = time.Date(2026, 1, 10, 20, 0, 0, 0, time.UTC)

// exampleRun is a run of 10 h at 3 A, so of 30 A·h, with a reading and a checkpoint each minute.
func exampleRun(t *testing.T, ended bool, watch ...runlog.Field) string {
	t.Helper()
	s := integrate.Settings{GapAfter: 2 * time.Minute, GainRelative: 0.001, OffsetAmperes: 0.005}
	c := integrate.NewCoulometer(s)
	w, err := runlog.Create(t.TempDir(), "zinc-1", begin, []byte(frozen), runlog.Options{Sync: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	failed := w.Begin(begin, s, "zinc from a spent pickle, invented")
	for i := range 601 {
		at := time.Duration(i) * time.Minute
		step, err := c.Add(integrate.Sample{At: at, Volts: 3.2, Amperes: 3}, integrate.Evidence{})
		failed = errors.Join(failed, err, w.Reading(begin.Add(at), step.Elapsed, 3.2, 3, "constant-current", "on", drivers.Shown{}), w.Checkpoint(begin.Add(at), c))
	}
	end := begin.Add(601 * time.Minute)
	failed = errors.Join(failed, w.Entry(end, "sample", "", runlog.Text("by", "bob"), runlog.Number("volume_cubic_metres", 5e-6)))
	if ended {
		failed = errors.Join(failed, w.Entry(end, runlog.EntryEnd, "done"))
	}
	if failed = errors.Join(failed, w.Checkpoint(end, c, watch...), w.Close()); failed != nil {
		t.Fatal(failed)
	}
	return w.Run()
}

var morning = begin.Add(14 * time.Hour)

func entry(t *testing.T, kind, text string, values ...string) control.Entry {
	t.Helper()
	given := map[string]string{}
	for _, v := range values {
		name, value, _ := strings.Cut(v, "=")
		given[name] = value
	}
	e, err := control.ParseEntry(kind, given, text)
	if err != nil {
		t.Fatal(err)
	}
	e.Cell, e.By = "zinc-1", "ann"
	return e
}

func enter(t *testing.T, run string, e control.Entry) string {
	t.Helper()
	done, err := Enter(run, e, morning)
	if err != nil {
		t.Fatalf("%s: %v", e.Kind, err)
	}
	return done.Name + ": " + strings.Join(done.Notes, "; ")
}

// TestAWeighingTellsTheEfficiency: 30 A·h can give 30·3600/96485.33·65.38/2 = 36.592 g of zinc (IUPAC 2021, CODATA 2018).
func TestAWeighingTellsTheEfficiency(t *testing.T) {
	run := exampleRun(t, true)
	log, err := os.ReadFile(filepath.Join(run, runlog.LogName))
	if err != nil {
		t.Fatal(err)
	}
	said := enter(t, run, entry(t, "weighing", "", "mass=31.24 g ± 0.02 g"))
	for _, want := range []string{"31.24", "of zinc weighed, and 30.0", "can give 36.59 g", "current efficiency 85.3", "by weighing, "} {
		if !strings.Contains(said, want) {
			t.Errorf("%s\nwithout %q", said, want)
		}
	}
	all, err := runlog.LateEntries(run)
	if err != nil || len(all) != 1 || all[0].Text("by") != "ann" || all[0].Name() != said[:8] {
		t.Fatalf("%+v, %v", all, err)
	}
	if x, _ := all[0].Number("mass_kilograms"); x != 0.03124 {
		t.Errorf("mass %v", x)
	}
	if now, err := os.ReadFile(filepath.Join(run, runlog.LogName)); err != nil || string(now) != string(log) {
		t.Errorf("the sealed log was touched: %v", err)
	}
}

// TestTheBlankMayComeFirst: an electrode is weighed before the run and after it, in two entries.
func TestTheBlankMayComeFirst(t *testing.T) {
	run := exampleRun(t, true)
	blank := entry(t, "weighing", "", "before=18.20 g")
	blank.At = begin.Add(-time.Hour)
	enter(t, run, blank)
	if said := enter(t, run, entry(t, "weighing", "", "after=49.44 g")); !strings.Contains(said, "current efficiency 85.") {
		t.Error(said)
	}
}

// TestAnEntryIsJudgedByItsTime: what was in the bath after an hour contradicts what is left at the end.
func TestAnEntryIsJudgedByItsTime(t *testing.T) {
	run := exampleRun(t, true)
	e := entry(t, "assay", "", "concentration=59.3 g/L") // 63.2 g/L in the beginning, less 3 A·h of it
	if _, err := Enter(run, e, morning); !control.IsContradiction(err) {
		t.Errorf("at the end: %v", err)
	}
	e.At = begin.Add(time.Hour)
	if said := enter(t, run, e); !strings.Contains(said, "zinc left in the bath: 53") {
		t.Error(said)
	}
}

func TestConsequences(t *testing.T) {
	run := exampleRun(t, true)
	for _, tt := range []struct {
		e    control.Entry
		want string
	}{
		{entry(t, "addition", "", "formula=ZnSO4·7H2O", "mass=50 g"), "zinc left in the bath: 23."},
		{entry(t, "dose", "", "formula=H2SO4", "mass=5 g"), "0.102 mol of acid, 0.113 mol/L of the bath; the target stays"}, // 98.08 g/mol, two H+,
		{entry(t, "cost", "", "amount=3.20", "currency=EUR", "for=salt"), "costs of the run so far: 3.20 EUR"},
		{entry(t, "cost", "", "amount=1.05", "currency=EUR", "for=energy"), "costs of the run so far: 4.25 EUR"},
		{entry(t, "cost", "", "amount=7", "currency=CHF"), "costs of the run so far: 7.00 CHF"},
		{entry(t, "check", "", "factor=1.002"), "charge 30.00"},
		{entry(t, "discarded", "", "what=anolyte", "volume=0.4 L"), ": "},
		{entry(t, "identity", "", "result=yes"), ": "},
		{entry(t, "level", "", "level=82 mm", "side=catholyte"), ": "},
		{entry(t, "dried", "", "mass=31.24 g"), "can give 36.66 g"}, // by the corrected charge
	} {
		if said := enter(t, run, tt.e); !strings.Contains(said, tt.want) {
			t.Errorf("%s: %q, want %q", tt.e.Kind, said, tt.want)
		}
	}
}

// TestWhatAWatchFollowedIsBookedOnce: the bath of the last checkpoint has it already.
func TestWhatAWatchFollowedIsBookedOnce(t *testing.T) {
	for watch, want := range map[string]string{`{}`: "g → 46", `{"late":4000000000000000000}`: "g → 35"} { // 23.7 g and 11.37 g, twice or once
		run := exampleRun(t, true, runlog.Text("watch", watch))
		enter(t, run, entry(t, "addition", "", "formula=ZnSO4·7H2O", "mass=50 g"))
		if said := enter(t, run, entry(t, "addition", "another", "formula=ZnSO4·7H2O", "mass=50 g")); !strings.Contains(said, want) {
			t.Errorf("%s: %s, want %s", watch, said, want)
		}
	}
}

// TestWhatIsRefusedChangesNothing: one clear sentence each. What contradicts the account is taken when it is certain.
func TestWhatIsRefusedChangesNothing(t *testing.T) {
	run, open := exampleRun(t, true), exampleRun(t, false)
	enter(t, run, entry(t, "weighing", "", "mass=31.24 g"))
	gone := enter(t, run, entry(t, "remark", "wrong cell"))[:8]
	enter(t, run, entry(t, "retract", "", "entry="+gone))
	var sample string
	everything, err := runlog.PersonsEntries(open)
	if err != nil || len(everything) != 1 {
		t.Fatal(everything, err)
	}
	sample = everything[0].Name()
	at := func(e control.Entry, at time.Time) control.Entry { e.At = at; return e }
	of := func(e control.Entry, cell string) control.Entry { e.Cell = cell; return e }
	for _, tt := range []struct {
		run  string
		e    control.Entry
		want string
	}{
		{run, entry(t, "weighing", "", "before=18.2 g", "after=18.0 g"), "the electrode weighs 18 g, which is below its blank of 18.2 g"},
		{run, entry(t, "weighing", "", "mass=312.4 g"), "the deposit weighs 312 g, and the charge so far can give 36.8 g at most. With it, 312.40"},
		{run, entry(t, "weighing", "", "mass=21 g", "before=18.2 g", "after=49.4 g"), "the deposit weighs 21 g, and the electrode gained 31.2 g"},
		{run, entry(t, "weighing", "", "mass=31.24 g"), "the weighing is not entered: the same entry exists as"},
		{run, at(entry(t, "dried", "", "mass=31 g"), begin.Add(time.Hour)), "a deposit is dried after the run"},
		{run, entry(t, "assay", "", "concentration=300 g/L"), "the assay gives 300 g/L, the mass balance"},
		{run, at(entry(t, "remark", "x"), morning.Add(time.Hour)), "is in the future; give the time of the observation"},
		{run, at(entry(t, "remark", "x"), begin.Add(-8*24*time.Hour)), "is more than a week before the run started"},
		{run, of(entry(t, "remark", "x"), "zinc-2"), "is a run of cell zinc-1, not of zinc-2"},
		{run, entry(t, "sample", "", "volume=50 L"), "it has to be above zero and less than"},
		{run, entry(t, "zero", "", "current=1 A"), "a zero of 1 A is not plausible for this supply"},
		{run, entry(t, "cost", "", "amount=3", "currency=€"), "three capital letters, such as EUR"},
		{run, entry(t, "confirm", ""), "nothing waits to be confirmed"},
		{run, entry(t, "settle", "", "gap=0", "off=02:10"), "settle a gap of a run that is not monitored by low, best and high"},
		{run, entry(t, "retract", "", "entry=12345678"), `has no entry "12345678"; nightcell enter zinc-1 list shows them`},
		{run, entry(t, "retract", "", "entry="+gone), "the remark " + gone + " was already retracted"},
		{open, entry(t, "retract", "", "entry="+sample), "the run is still open and its mass balance includes the sample " + sample},
	} {
		file := filepath.Join(tt.run, runlog.LateName)
		before, _ := os.ReadFile(file)
		_, err := Enter(tt.run, tt.e, morning)
		if err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v\nwant %q", tt.e.Kind, err, tt.want)
		}
		if after, _ := os.ReadFile(file); string(after) != string(before) {
			t.Errorf("%s: refused, and something was written", tt.e.Kind)
		}
		if control.IsContradiction(err) {
			tt.e.Certain = true
			enter(t, tt.run, tt.e)
		}
	}
}

// TestARunWithoutABath takes entries all the same, and says what does not follow.
func TestARunWithoutABath(t *testing.T) {
	run := exampleRun(t, false)
	if err := os.WriteFile(filepath.Join(run, runlog.FrozenName), []byte("[supply.bench\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	said := enter(t, run, entry(t, "weighing", "", "mass=31.24 g"))
	if !strings.Contains(said, "Not checked against the bath: ") || !strings.Contains(said, "nightcell applies this") {
		t.Error(said)
	}
}

func TestAPhotoIsCopiedIn(t *testing.T) {
	run := exampleRun(t, true)
	path := filepath.Join(t.TempDir(), "deposit of today.JPG")
	if err := os.WriteFile(path, []byte("not quite a picture"), 0o600); err != nil {
		t.Fatal(err)
	}
	e := entry(t, "photo", "", "file="+path)
	first, err := Photo(run, e)
	if err != nil {
		t.Fatal(err)
	}
	copied, err := Photo(run, e) // as after a kill before the entry was written
	if err != nil || copied.Words["file"] != first.Words["file"] {
		t.Fatalf("%+v, %v", copied, err)
	}
	if sum := sha256.Sum256([]byte("not quite a picture")); copied.Words["sha256"] != fmt.Sprintf("%x", sum) {
		t.Errorf("%+v", copied)
	}
	enter(t, run, copied)
	late, err := runlog.LateEntries(run)
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(run, late[0].Text("file"))
	if data, err := os.ReadFile(name); err != nil || string(data) != "not quite a picture" || filepath.Ext(name) != ".jpg" {
		t.Errorf("%s: %q, %v", name, data, err)
	}
	wrong := func(want string) {
		t.Helper()
		if got := strings.Join(CheckPhotos(run, late), "; "); got == "" != (want == "") || !strings.Contains(got, want) {
			t.Errorf("photos: %q, want %q", got, want)
		}
	}
	wrong("")
	if err := os.WriteFile(name, []byte("another"), 0o600); err != nil {
		t.Fatal(err)
	}
	wrong("differs from the file that was copied in")
	if err := os.Remove(name); err != nil {
		t.Fatal(err)
	}
	wrong("is gone")
	e.Words = map[string]string{"file": path, "sha256": "00"}
	if _, err := Photo(run, e); !control.IsMistake(err) || !strings.Contains(err.Error(), "not the one stated") {
		t.Error(err)
	}
	folder := filepath.Join(t.TempDir(), "folder.png")
	if err := os.Mkdir(folder, 0o700); err != nil {
		t.Fatal(err)
	}
	for file, want := range map[string]string{folder: "it must be a plain file", filepath.Join(run, runlog.FrozenName): "does not end as a picture does"} {
		e.Words = map[string]string{"file": file}
		if _, err := Photo(run, e); !control.IsMistake(err) || !strings.Contains(err.Error(), want) {
			t.Error(err)
		}
	}
}
