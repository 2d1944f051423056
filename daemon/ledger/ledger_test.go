package ledger

import (
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/bath"
)

// monday is when the first run of a test begins.
var monday = time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC)

// cellText is an invented cell; more goes into its bath table, electrodes into that of the electrodes.
const cellText = `
data = %q
[supply.bench]
port = "tcp://127.0.0.1:5025"
range_voltage = "32 V"
range_current = "5 A"
[cell.zinc-1]
supply = "bench"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L ± 0.02 L"
metal_mass = "56 g ± 1 g"
%s
[cell.zinc-1.bath.anolyte]
volume = "0.5 L"
[cell.zinc-1.target]
recover = "30 %%"
[cell.zinc-1.efficiency]
fixed = "88 %% ± 4 %%"
[cell.zinc-1.electrodes]
cathode_area = "60 cm2"
separator = "diaphragm"
%s
[cell.zinc-1.working]
current = "3 A"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6 V"
`

// frozen is the configuration of cellText as a run keeps it.
func frozen(t testing.TB, data, more, electrodes string) []byte {
	t.Helper()
	cfg, err := configs.Parse("test.toml", fmt.Appendf(nil, cellText, data, more, electrodes))
	if err != nil {
		t.Fatal(err)
	}
	text, err := cfg.Frozen("zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// night is a run of a test: 3 A for so many hours, with entries by the hour.
type night struct {
	begin   time.Time
	hours   float64
	frozen  []byte
	entries map[float64]control.Entry
	open    bool // it does not end
}

func entry(kind string, numbers map[string]float64, words ...string) control.Entry {
	e := control.Entry{Cell: "zinc-1", Kind: kind, By: "ann", Numbers: numbers, Words: map[string]string{}}
	for i := 0; i+1 < len(words); i += 2 {
		e.Words[words[i]] = words[i+1]
	}
	return e
}

// ran writes the log of a night and returns its directory.
func (n night) ran(t testing.TB, data string) string {
	t.Helper()
	w, err := runlog.Create(data, "zinc-1", n.begin, n.frozen, runlog.Options{Sync: time.Hour, FS: unsynced{}})
	if err != nil {
		t.Fatal(err)
	}
	settings := integrate.Settings{GapAfter: time.Hour, GainRelative: 1e-3}
	c := integrate.NewCoulometer(settings)
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	must(w.Begin(n.begin, settings, "run started"))
	const steps = 24
	for i := range steps + 1 {
		at := time.Duration(n.hours / steps * float64(i) * float64(time.Hour))
		step := at - time.Duration(n.hours/steps*float64(max(i-1, 0))*float64(time.Hour))
		_, err := c.Add(integrate.Sample{At: at, Volts: 3.5, Amperes: 3}, integrate.Evidence{OnBefore: true, OnAfter: true})
		must(err)
		must(w.Reading(n.begin.Add(at), step, 3.5, 3, "CC", "on", drivers.Shown{}))
		for hour, e := range n.entries {
			if from := at - step; i > 0 && hour*float64(time.Hour) > float64(from) && hour*float64(time.Hour) <= float64(at) {
				e.At = n.begin.Add(time.Duration(hour * float64(time.Hour)))
				must(w.Entry(n.begin.Add(at+time.Second), e.Kind, e.Text, e.LogFields()...))
			}
		}
	}
	end := n.begin.Add(time.Duration(n.hours * float64(time.Hour)))
	must(w.Checkpoint(end.Add(2*time.Second), c))
	if !n.open {
		must(w.Entry(end.Add(3*time.Second), runlog.EntryEnd, "target reached"))
	}
	must(w.Checkpoint(end.Add(4*time.Second), c))
	must(w.Close())
	return w.Run()
}

// unsynced is the disk without waiting for it.
type unsynced struct{ runlog.Disk }

type unsyncedFile struct{ runlog.File }

func (unsyncedFile) Sync() error { return nil }

func (u unsynced) OpenFile(name string, flag int, perm os.FileMode) (runlog.File, error) {
	f, err := u.Disk.OpenFile(name, flag, perm)
	return unsyncedFile{f}, err
}
func (unsynced) SyncDir(string) error { return nil }

// goesOn is the frozen configuration of the next run, as a watch would begin it.
func goesOn(t testing.TB, data, more, electrodes string, at time.Time) Continued {
	t.Helper()
	c, err := Continue(data, frozen(t, data, more, electrodes), "zinc-1", at, runlog.Patience)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

// won is what 3 A win at the planned efficiency, kg.
func won(hours float64) float64 { return 3 * 3600 * hours * 0.88 * 65.38e-3 / 2 / 96485.33212 }

// crossing is the standard uncertainty of the zinc that crosses the diaphragm, of which the likeliest is none, kg.
func crossing(c Continued, hours float64) float64 {
	return c.Plan.Model.Catholyte().Crossing.High / math.Sqrt(3) * 3 * 3600 * hours * 65.38e-3 / 96485.33212
}

func close9(t testing.TB, what string, got, want float64) {
	t.Helper()
	if !(math.Abs(got-want) <= 1e-9*math.Max(math.Abs(want), 1e-3)) {
		t.Errorf("%s is %.12g; want %.12g", what, got, want)
	}
}

// TestTheNextRunBeginsWithWhatIsLeft is the main path: two runs of one cell without any name of a bath.
func TestTheNextRunBeginsWithWhatIsLeft(t *testing.T) {
	data := t.TempDir()
	first := goesOn(t, data, "", "", monday)
	if first.Left != "" || first.Told != "" {
		t.Fatalf("before the first run: %+v", first)
	}
	night{begin: monday, hours: 5, frozen: first.Frozen}.ran(t, data)
	second := goesOn(t, data, "", "", monday.Add(24*time.Hour))
	close9(t, "left", second.Plan.Amount.Value, 0.056-won(5))
	close9(t, "target", second.Plan.Goal.Deposit.Value, 0.3*(0.056-won(5)))
	if want := "39.9 ± 1.9 g that are left in bath zinc-1"; second.Left != want || second.Told != "" || second.Cell.Bath.Name != "zinc-1" {
		t.Errorf("it says %q, %q; want %q", second.Left, second.Told, want)
	}
	// Its doubt: that of what was dissolved, of what was taken by efficiency and its scatter, and of what may have crossed the diaphragm.
	close9(t, "its doubt", second.Plan.Amount.StandardUncertainty, math.Hypot(math.Hypot(1e-3/math.Sqrt(3), crossing(first, 5)), won(5)*math.Sqrt(math.Pow(0.04/math.Sqrt(3)/0.88, 2)+0.02*0.02+math.Pow(doubtOf(t, data, "zinc-1", 0), 2))))
	night{begin: monday.Add(24 * time.Hour), hours: 2, frozen: second.Frozen}.ran(t, data)
	third := goesOn(t, data, "", "", monday.Add(48*time.Hour))
	close9(t, "left after two", third.Plan.Amount.Value, 0.056-won(5)-won(2))
	b, err := ReadBath(data, "zinc-1")
	if err != nil || len(b.Runs) != 2 || len(b.Problems) > 0 || !b.Open {
		t.Fatalf("%+v, %v", b, err)
	}
	lines, all, err := read(data, OfBath, "zinc-1")
	if err != nil || len(lines) != 2 || !all.Sound() || lines[0].Flag(opensFlag) == lines[1].Flag(opensFlag) {
		t.Errorf("%d lines, %v", len(lines), err)
	}
}

// doubtOf is the relative doubt of the charge of a run.
func doubtOf(t testing.TB, data, name string, i int) float64 {
	lines, _, err := read(data, OfBath, name)
	if err != nil {
		t.Fatal(err)
	}
	took, err := taking(&lines[i])
	if err != nil {
		t.Fatal(err)
	}
	return took.Doubt / took.Charge
}

// TestALineOfARunIsWrittenOnce: however often and by whomever, and it names the log as it is sealed.
func TestALineOfARunIsWrittenOnce(t *testing.T) {
	data := t.TempDir()
	run := night{begin: monday, hours: 3, frozen: frozen(t, data, "", `cathode_name = "al-3"`)}.ran(t, data)
	for range 3 {
		if err := Settle(data, monday, runlog.Patience); err != nil {
			t.Fatal(err)
		}
	}
	took, err := books.TakingOf(run)
	if err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := settle(data, took, monday, runlog.Patience); err != nil {
			t.Fatal(err)
		}
	}
	for k, name := range map[Kind]string{OfBath: "zinc-1", OfElectrode: "al-3"} {
		if lines, _, err := read(data, k, name); err != nil || len(lines) != 1 {
			t.Errorf("%s: %d lines, %v", k, len(lines), err)
		}
	}
	if wrong := took.Check(run); wrong != "" {
		t.Error(wrong)
	}
	log := filepath.Join(run, runlog.LogName)
	text, err := os.ReadFile(log)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(log, []byte(strings.Replace(string(text), "volts=3.5", "volts=3.6", 1)), 0o640); err != nil {
		t.Fatal(err)
	}
	if wrong := took.Check(run); !strings.Contains(wrong, "another one") {
		t.Errorf("an altered log: %q", wrong)
	}
}

// TestOldRunsOpenALedgerOnce: of runs from a time without ledgers the newest counts, from what its own configuration states.
func TestOldRunsOpenALedgerOnce(t *testing.T) {
	data := t.TempDir()
	stated := frozen(t, data, "", "")
	for i := range 3 {
		night{begin: monday.Add(time.Duration(i) * 24 * time.Hour), hours: float64(2 + i), frozen: stated}.ran(t, data)
	}
	c := goesOn(t, data, "", "", monday.Add(80*time.Hour))
	close9(t, "left", c.Plan.Amount.Value, 0.056-won(4))
}

// TestLateEntriesChangeWhatARunTook: a weighing, an assay of a sample taken in the night, and what takes them back.
func TestLateEntriesChangeWhatARunTook(t *testing.T) {
	data := t.TempDir()
	run := night{begin: monday, hours: 6, frozen: frozen(t, data, "", "")}.ran(t, data)
	morning := monday.Add(12 * time.Hour)
	if err := Settle(data, morning, runlog.Patience); err != nil {
		t.Fatal(err)
	}
	left := func() float64 {
		t.Helper()
		b, err := ReadBath(data, "zinc-1")
		if err != nil || len(b.Problems) > 0 {
			t.Fatal(err, b.Problems)
		}
		if c := b.Side.Books(); math.Abs(c.Supplied+c.Unaccounted-c.Sampled-c.Discarded-c.Cathode-c.Anode-c.Crossed-c.Left) > 1e-12 {
			t.Fatalf("it does not add up: %+v", c)
		}
		return b.Side.Metal().Value
	}
	planned := left()
	enter := func(e control.Entry) string {
		t.Helper()
		w, err := runlog.OpenLate(run)
		if err != nil {
			t.Fatal(err)
		}
		r, err := w.Append(morning, e.Kind, e.Text, e.LogFields()...)
		if err := errors.Join(err, w.Close()); err != nil {
			t.Fatal(err)
		}
		return r.Name()
	}
	name := enter(entry(bath.EntryWeighing, map[string]float64{bath.Mass: 0.0190, "mass_plus_minus_kilograms": 1e-6}))
	if got := left(); math.Abs(got-(0.056-0.0190)) > 2e-6 {
		t.Errorf("after the weighing %g kg are left", got)
	}
	b, _ := ReadBath(data, "zinc-1")
	if !b.Runs[0].Weighed || math.Abs(b.Runs[0].Won.Value-0.0190) > 1e-6 {
		t.Errorf("the run: %+v", b.Runs[0])
	}
	enter(entry(runlog.EntryRetract, nil, runlog.RetractedEntry, name))
	if got := left(); got != planned {
		t.Errorf("after it was taken back %g kg are left, not %g", got, planned)
	}
	e := entry(bath.EntryAssay, map[string]float64{bath.PerMass: 50, "concentration_plus_minus_kilograms_per_cubic_metre": 0.01})
	e.At = monday.Add(3 * time.Hour)
	enter(e)
	if got, want := left(), 50*0.9e-3-won(3); math.Abs(got-want) > 0.0012 || got == planned {
		t.Errorf("after the assay of 3 h %g kg are left, want about %g", got, want)
	}
	// A settled gap, or here a check of the ammeter, changes the charge.
	before := left()
	enter(entry(runlog.EntryCheck, map[string]float64{"factor": 1.1, "standard_uncertainty": 0.001}))
	if got := left(); !(got < before-0.05*won(3)) {
		t.Errorf("after the check %g kg are left, before it %g", got, before)
	}
}

// TestBadInputToALedger: a clear sentence each, and nothing changed.
func TestBadInputToALedger(t *testing.T) {
	data := t.TempDir()
	night{begin: monday, hours: 5, frozen: frozen(t, data, "", `cathode_name = "al-3"`)}.ran(t, data)
	now := monday.Add(12 * time.Hour)
	if err := Settle(data, now, runlog.Patience); err != nil {
		t.Fatal(err)
	}
	file := func() string {
		text, err := os.ReadFile(filepath.Join(Dir(data, OfBath, "zinc-1"), runlog.LedgerName))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	before := file()
	at := func(e control.Entry, at time.Time) control.Entry {
		e.At = at
		return e
	}
	water := entry(bath.EntryWater, map[string]float64{bath.LiquidVolume: 1e-5})
	for _, tt := range []struct {
		kind  Kind
		name  string
		entry control.Entry
		says  string
	}{
		{OfBath, "pickle", water, `there is no bath "pickle": those that have a ledger are [zinc-1]`},
		{OfElectrode, "al-4", entry(bath.EntryWeighing, map[string]float64{bath.MassBefore: 0.02}), "those that have a ledger are [al-3]"},
		{OfBath, "zinc-1", entry(bath.EntryWeighing, map[string]float64{bath.Mass: 0.02}), "takes no weighing"},
		{OfBath, "zinc-1", at(water, monday.Add(-time.Hour)), "before bath zinc-1 was opened"},
		{OfBath, "zinc-1", at(water, monday.Add(time.Hour)), "run 20260302T200000Z of cell zinc-1 used bath zinc-1"},
		{OfBath, "zinc-1", at(water, now.Add(time.Hour)), "is in the future"},
		{OfBath, "zinc-1", entry(bath.EntryAssay, map[string]float64{bath.PerMass: 80}), "the bath never held more than 56 g"},
		{OfBath, "zinc-1", entry(bath.EntryAssay, map[string]float64{bath.PerMass: 55}), "the assay gives 55 g/L, the mass balance 44.3 g/L"},
		{OfBath, "zinc-1", entry(bath.EntrySample, map[string]float64{bath.LiquidVolume: 2e-3}), "sample of 2 L"},
		{OfBath, "zinc-1", entry(bath.EntryWater, map[string]float64{bath.LiquidVolume: -1e-3}), "nothing would be left"},
		{OfBath, "zinc-1", entry(bath.EntryAddition, map[string]float64{bath.Mass: 0.1}, bath.Formula, "CuSO4"), "copper"},
		{OfBath, "zinc-1", entry(runlog.EntryRetract, nil, runlog.RetractedEntry, "00000000"), `no entry "00000000"`},
		{OfElectrode, "al-3", entry(bath.EntryWeighing, map[string]float64{bath.MassBefore: 0}), "before of 0 mg is not possible: it has to be above zero"},
		{OfElectrode, "al-3", entry(control.EntryStripped, map[string]float64{bath.Mass: -0.02}), "mass of -20 g is not possible"},
	} {
		if _, err := Enter(data, tt.kind, tt.name, tt.entry, now); err == nil || !strings.Contains(err.Error(), tt.says) {
			t.Errorf("%s %s: %v; want it to say %q", tt.name, tt.entry.Kind, err, tt.says)
		}
	}
	lines, _, _ := read(data, OfBath, "zinc-1")
	for name, says := range map[string]string{lines[0].Name(): "is the line of a run"} {
		if _, err := Enter(data, OfBath, "zinc-1", entry(runlog.EntryRetract, nil, runlog.RetractedEntry, name), now); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("taking back %s: %v", name, err)
		}
	}
	if file() != before {
		t.Error("something was written all the same")
	}
	for _, k := range []Kind{OfBath, OfElectrode} {
		err := Close(data, k, "pickle", "ann", "", now)
		if folders, _ := os.ReadDir(filepath.Join(data, string(k)+"s")); !control.IsMistake(err) || !strings.Contains(err.Error(), "there is no "+string(k)+` "pickle"`) || len(folders) != 1 {
			t.Errorf("an unknown %s is closed: %v; folders %v", k, err, folders)
		}
	}
	if _, err := Enter(data, OfBath, "zinc-1", water, now); err != nil {
		t.Fatal(err)
	}
	for _, again := range []control.Entry{at(water, now), water} {
		if _, err := Enter(data, OfBath, "zinc-1", again, now.Add(time.Minute)); err == nil || !strings.Contains(err.Error(), "the same entry exists as") {
			t.Errorf("twice, %v: %v", again.At, err)
		}
	}
	// While a run stands in it, and when it is closed.
	night{begin: now, hours: 1, frozen: goesOn(t, data, "", "", now).Frozen, open: true}.ran(t, data)
	for _, err := range []error{second(Enter(data, OfBath, "zinc-1", water, now)), Close(data, OfBath, "zinc-1", "ann", "", now)} {
		if err == nil || !strings.Contains(err.Error(), "uses bath zinc-1 and has not ended") {
			t.Errorf("in use: %v", err)
		}
	}
	if err := os.RemoveAll(filepath.Join(runlog.CellDir(data, "zinc-1"), now.Format("20060102T150405Z"))); err != nil {
		t.Fatal(err)
	}
	if err := Close(data, OfBath, "zinc-1", "ann", "waste", now); err != nil {
		t.Fatal(err)
	}
	for _, err := range []error{second(Enter(data, OfBath, "zinc-1", water, now)), Close(data, OfBath, "zinc-1", "ann", "", now)} {
		if err == nil || !strings.Contains(err.Error(), "closed") {
			t.Errorf("closed: %v", err)
		}
	}
	if c := goesOn(t, data, "", "", now); c.Left != "" || c.Plan.Amount.Value != 0.056 {
		t.Errorf("after it was closed the next run started with %q", c.Left)
	}
}

func second(_ control.Entered, err error) error { return err }

// TestAnotherBathIsTold: the configuration never wins silently.
func TestAnotherBathIsTold(t *testing.T) {
	data := t.TempDir()
	night{begin: monday, hours: 5, frozen: frozen(t, data, "", "")}.ran(t, data)
	now := monday.Add(12 * time.Hour)
	changed := strings.NewReplacer("56 g ± 1 g", "90 g").Replace(string(frozen(t, data, "", "")))
	c, err := Continue(data, []byte(changed), "zinc-1", now, runlog.Patience)
	if err != nil || !strings.Contains(c.Told, "the configuration states 90.0 ± 1.8 g in 0.900 ± 0.023 L, and bath zinc-1 was begun with 56.0 ± 1.2 g") || !strings.Contains(c.Told, "39.9 ± 1.9 g of zinc") {
		t.Errorf("%q, %v", c.Told, err)
	}
	close9(t, "left", c.Plan.Amount.Value, 0.056-won(5))
	copper := strings.NewReplacer(`metal = "Zn"`, `metal = "Cu"`).Replace(string(frozen(t, data, "", "")))
	if c, err := Continue(data, []byte(copper), "zinc-1", now, runlog.Patience); err == nil || !strings.Contains(err.Error(), "zinc") || !strings.Contains(err.Error(), "copper") || c.Plan == nil {
		t.Errorf("another metal: %v", err)
	}
	poor := strings.NewReplacer(`recover = "30 %"`, `deposit = "50 g"`).Replace(string(frozen(t, data, "", "")))
	c, err = Continue(data, []byte(poor), "zinc-1", now, runlog.Patience)
	if err != nil || !strings.Contains(c.Told, "out of reach of the 39.9 ± 1.9 g that are left in bath zinc-1") {
		t.Errorf("out of reach: %q, %v", c.Told, err)
	}
	close9(t, "all of it", c.Plan.Goal.Deposit.Value, 0.056-won(5))
}

// TestSettlingMayBeBrokenOffAnywhere: each line is whole or not there (package runlog cuts the power at every operation of one), so that
// what is left of a settling is the first of its lines. The next one writes the others, and none twice.
func TestSettlingMayBeBrokenOffAnywhere(t *testing.T) {
	all := []struct {
		kind Kind
		name string
	}{{OfElectrode, "al-3"}, {OfElectrode, "pb-1"}, {OfBath, "pickle"}}
	for written := range len(all) + 1 {
		data := t.TempDir()
		run := night{begin: monday, hours: 3, frozen: frozen(t, data, `name = "pickle"`, "cathode_name = \"al-3\"\nanode_name = \"pb-1\"")}.ran(t, data)
		took, err := books.TakingOf(run)
		if err != nil {
			t.Fatal(err)
		}
		for _, l := range all[:written] {
			if err := write(data, l.kind, l.name, 0, func(w *runlog.LateWriter) error {
				return line(took, w, monday, runlog.Flag(opensFlag, true), runlog.Text(roleText, "cathode"))
			}); err != nil {
				t.Fatal(err)
			}
		}
		for range 2 {
			if err := Settle(data, monday, 0); err != nil {
				t.Fatal(err)
			}
		}
		for _, l := range all {
			if lines, late, err := read(data, l.kind, l.name); err != nil || len(lines) != 1 || !late.Sound() {
				t.Errorf("after %d lines: %s %s has %d, %v", written, l.kind, l.name, len(lines), err)
			}
		}
		el, err := ReadElectrode(data, "al-3")
		if err != nil || len(el.Problems) > 0 || len(el.Runs) != 1 || math.Abs(el.Carries.Value-won(3)) > 1e-9 || el.Area != 60e-4 {
			t.Errorf("the cathode: %+v, %v", el, err)
		}
		if el, err = ReadElectrode(data, "pb-1"); err != nil || written < 2 && (len(el.Runs) != 1 || el.Carries.Known()) {
			t.Errorf("the anode: %+v, %v", el, err)
		}
	}
}

// TestOneBadRunIsItsOwnTrouble: a run of another cell that cannot be told keeps nobody else from going on, and one of the cell is told.
func TestOneBadRunIsItsOwnTrouble(t *testing.T) {
	data := t.TempDir()
	night{begin: monday, hours: 5, frozen: frozen(t, data, "", "")}.ran(t, data)
	bad := night{begin: monday.Add(24 * time.Hour), hours: 1, frozen: []byte("cell = 1")}.ran(t, data)
	now := monday.Add(48 * time.Hour)
	if c, err := Continue(data, frozen(t, data, "", ""), "zinc-1", now, 0); err == nil || !strings.Contains(err.Error(), "20260303T200000Z of cell zinc-1") || c.Plan == nil || c.Left != "" {
		t.Errorf("of this cell: %v", err)
	}
	other := filepath.Join(data, "runs", "zinc-2")
	if err := errors.Join(os.MkdirAll(other, 0o750), os.Rename(bad, filepath.Join(other, filepath.Base(bad)))); err != nil {
		t.Fatal(err)
	}
	if err := Settle(data, now, 0); err == nil || !strings.Contains(err.Error(), "of cell zinc-2") {
		t.Errorf("settling: %v", err)
	}
	if c := goesOn(t, data, "", "", now); !strings.Contains(c.Left, "39.9 ± 1.9 g") {
		t.Errorf("of another cell: %q", c.Left)
	}
}

// TestImportsAndEntriesTakenBack: a run that was measured elsewhere took nothing out of a bath that is followed, and what is taken back
// changes nothing.
func TestImportsAndEntriesTakenBack(t *testing.T) {
	data := t.TempDir()
	night{begin: monday, hours: 5, frozen: frozen(t, data, "", "")}.ran(t, data)
	in := books.Intake{Data: data, Cell: "zinc-1", Name: "night.csv", Frozen: frozen(t, data, "", ""), Begin: monday.Add(24 * time.Hour)}
	if _, err := in.Take(strings.NewReader("time_s,voltage_V,current_A\n0,3.5,3\n60,3.5,3\n120,3.5,3\n")); err != nil {
		t.Fatal(err)
	}
	now := monday.Add(48 * time.Hour)
	before := goesOn(t, data, "", "", now)
	if !strings.Contains(before.Left, "39.9 ± 1.9 g") {
		t.Errorf("with an imported run %q", before.Left)
	}
	done, err := Enter(data, OfBath, "zinc-1", entry(bath.EntryAddition, map[string]float64{bath.Mass: 0.05}, bath.Formula, "ZnSO4·7H2O"), now)
	if err != nil || len(done.Notes) != 1 || !strings.Contains(done.Notes[0], "39.9 ± 1.9 g of zinc in 0.900 ± 0.023 L → 51.3 ± 1.9 g of zinc") {
		t.Fatal(done, err)
	}
	if got := goesOn(t, data, "", "", now); got.Plan.Amount.Value-before.Plan.Amount.Value < 0.0113 {
		t.Errorf("after an addition %q", got.Left)
	}
	if _, err := Enter(data, OfBath, "zinc-1", entry(runlog.EntryRetract, nil, runlog.RetractedEntry, done.Name), now); err != nil {
		t.Fatal(err)
	}
	if got := goesOn(t, data, "", "", now); got.Left != before.Left || got.Plan.Amount != before.Plan.Amount {
		t.Errorf("after it was taken back %q, before it %q", got.Left, before.Left)
	}
	if _, err := Enter(data, OfBath, "zinc-1", entry(runlog.EntryRetract, nil, runlog.RetractedEntry, done.Name), now); err == nil || !strings.Contains(err.Error(), "taken back before") {
		t.Errorf("twice: %v", err)
	}
}
