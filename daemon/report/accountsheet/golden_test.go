package accountsheet

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
	"nightcell/integrate/account"
	"nightcell/integrate/bath"
)

var (
	update = flag.Bool("update", false, "write the golden accounts of testdata/accounts anew; read what changed before you commit it")
	invent = flag.Bool("invent", false, "write the invented runs of testdata/accounts anew")
)

const accounts = "../../../testdata/accounts"

// frozen is the cell of the invented runs: zinc from a spent pickle.
const frozen = `# Invented figures throughout.
data = "invented"
[supply.bench]
port = "tcp://127.0.0.1:5025"
[supply.bench.accuracy]
current_gain = "0.1 %"
current_offset = "2 mA"
current_resolution = "1 mA"
voltage_gain = "0.05 %"
voltage_offset = "10 mV"
voltage_resolution = "1 mV"
[cell.zinc-1]
supply = "bench"
poll = "5 min"
gap_after = "12 min"
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L ± 1 %"
concentration = "30 g/L ± 0.4 g/L"
ph = 1.6
temperature = "25 °C"
[cell.zinc-1.bath.anolyte]
volume = "0.5 L"
[cell.zinc-1.target]
recover = "85 %"
[cell.zinc-1.efficiency]
initial = "88 % ± 6 %"
mass_transfer = "1.6e-5 m/s"
[cell.zinc-1.electrodes]
cathode = "aluminium"
cathode_area = "60 cm2"
anode = "lead"
gap = "30 mm"
separator = "diaphragm"
[cell.zinc-1.working]
current = "2 A"
[cell.zinc-1.limits]
current = "2.2 A"
voltage = "6 V"
[cell.zinc-1.room]
price_per_kwh = 0.31
`

// inventor writes a run whose truth it knows: efficiency falls as the bath grows poor.
type inventor struct {
	t        *testing.T
	w        *runlog.Writer
	c        *integrate.Coulometer
	at       time.Duration
	begin    time.Time
	settings integrate.Settings
}

func newInventor(t *testing.T, dir string, day int) *inventor {
	cfg, err := configs.Parse("invented.toml", []byte(frozen))
	if err != nil {
		t.Fatal(err)
	}
	cell := cfg.Cell("zinc-1")
	in := &inventor{t: t, begin: time.Date(2026, 1, day, 20, 0, 0, 0, time.UTC), settings: cell.Coulometer(cfg.Supply("bench"))}
	in.c = integrate.NewCoulometer(in.settings)
	in.w, err = runlog.Create(dir, "zinc-1", in.begin, []byte(frozen), runlog.Options{Sync: time.Hour, CheckpointEvery: 2 * time.Hour, Now: in.now})
	in.must(err)
	in.must(in.w.Begin(in.begin, in.settings, "invented"))
	return in
}

func (in *inventor) now() time.Time { return in.begin.Add(in.at) }

func (in *inventor) must(err error) {
	in.t.Helper()
	if err != nil {
		in.t.Fatal(err)
	}
}

// run passes amperes for some hours.
func (in *inventor) run(hours, amperes float64, gap bool) {
	const poll = 5 * time.Minute
	for end := in.at + time.Duration(hours*float64(time.Hour)); in.at < end; {
		step := poll
		if gap {
			step = end - in.at
		}
		if in.at > 0 || in.c.Totals().Readings > 0 {
			in.at += step
		} else {
			step = 0
		}
		wave := math.Sin(float64(in.at/poll)) / 1000
		volts, current := 1.9+0.62*amperes+2*wave+0.01*in.at.Hours(), amperes+wave
		e := integrate.Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 2.2}
		s, err := in.c.Add(integrate.Sample{At: in.at, Volts: volts, Amperes: current}, e)
		in.must(err)
		if s.IsGap {
			in.must(in.w.Gap(in.now(), "silent", s.Gap, e))
		}
		in.must(in.w.Reading(in.now(), step, volts, current, "cc", "on", drivers.Shown{}))
		if in.w.CheckpointDue() {
			in.must(in.w.Checkpoint(in.now(), in.c))
		}
		gap = false
	}
}

func (in *inventor) entry(kind, text string, fields ...runlog.Field) {
	in.must(in.w.Entry(in.now(), kind, text, append([]runlog.Field{runlog.Text("by", "ann")}, fields...)...))
}

// end seals the log and writes what was entered afterwards.
func (in *inventor) end(late func(add func(hours float64, kind, text string, fields ...runlog.Field))) {
	t := in.c.Totals()
	in.must(in.w.Checkpoint(in.now(), in.c))
	in.must(in.w.Entry(in.now(), runlog.EntryEnd, "no current flows any more", runlog.Number("charge_coulombs", t.Charge), runlog.Number("energy_joules", t.Energy)))
	in.must(in.w.Checkpoint(in.now(), in.c))
	in.must(in.w.Close())
	if late == nil {
		return
	}
	w, err := runlog.OpenLate(in.w.Run())
	in.must(err)
	late(func(hours float64, kind, text string, fields ...runlog.Field) {
		_, err := w.Append(in.now().Add(time.Duration(hours*float64(time.Hour))), kind, text, append([]runlog.Field{runlog.Text("by", "ben")}, fields...)...)
		in.must(err)
	})
	in.must(w.Close())
}

// inventAll writes the three runs: a well-kept one, a bad night, and one of which nobody wrote anything down.
func inventAll(t *testing.T, dir string) {
	g := func(key string, v float64) runlog.Field { return runlog.Number(key, v) }
	in := newInventor(t, dir, 10)
	in.entry(bath.EntryAssay, "", g(bath.PerMass, 30.2))
	in.run(5, 2, false)
	in.entry(bath.EntrySample, "", g(bath.LiquidVolume, 5e-6))
	in.entry(bath.EntryAssay, "", g(bath.PerMass, 18.7))
	in.run(3, 1.8, false)
	in.run(3, 1.6, false)
	in.entry(bath.EntryAssay, "", g(bath.PerMass, 7.6))
	in.end(func(add func(float64, string, string, ...runlog.Field)) {
		add(1, bath.EntryWeighing, "dried at 60 °C", g(bath.MassBefore, 18.204e-3), g(bath.MassAfter, 38.44e-3))
		add(2, account.EntryIdentity, "dissolved in 2 mol/L HCl", g(bath.Mass, 0.2512e-3), g(account.GasVolume, 95.1e-6), g("gas_plus_minus_cubic_metres", 0.5e-6), g(bath.EnteredKelvin, 294.2), g(account.GasPressure, 100900), runlog.Text("result", "grey, dissolves with gas"))
		add(3, account.EntryCost, "", g(account.CostSum, 1.2), runlog.Text("for", "salt"), runlog.Text("currency", "EUR"))
	})
	in = newInventor(t, dir, 11)
	in.run(4, 2, false)
	in.must(in.w.Alarm(in.now(), "supply-silent", runlog.Text("state", "UNACK"), runlog.Text("priority", "high"), runlog.Number("value", 720), runlog.Text("text", "no answer for 12 min")))
	in.run(1.5, 2, true)
	in.must(in.w.Alarm(in.now(), "supply-silent", runlog.Text("state", "RTNUN"), runlog.Text("priority", "high"), runlog.Number("value", 0), runlog.Text("text", "it answers again")))
	in.run(2, 2, false)
	in.must(in.w.Alarm(in.now(), "hard-short", runlog.Text("state", "UNACK"), runlog.Text("priority", "highest"), runlog.Number("value", 0.4), runlog.Text("text", "metal bridges the electrodes")))
	in.run(0.5, 2, false)
	in.must(in.w.Output(in.now(), "off", "verified", "off read back, 0.000 A"))
	in.entry(bath.EntryAssay, "with a doubtful pipette", g(bath.PerMass, 264))
	in.end(func(add func(float64, string, string, ...runlog.Field)) {
		add(1, bath.EntryWeighing, "", g(bath.Mass, 9.1e-3))
	})
	in = newInventor(t, dir, 12)
	in.run(6, 2, false)
	in.end(nil)
}

func runs(t *testing.T, dir string) []string {
	all, err := filepath.Glob(filepath.Join(dir, "runs", "zinc-1", "*Z"))
	if err != nil || len(all) != 3 {
		t.Fatalf("the invented runs are %v, %v", all, err)
	}
	return all
}

// TestGolden holds text, JSON and page of three invented runs against what was read and kept.
func TestGolden(t *testing.T) {
	if *invent {
		if err := os.RemoveAll(filepath.Join(accounts, "runs")); err != nil {
			t.Fatal(err)
		}
		inventAll(t, accounts)
		for _, run := range runs(t, accounts) {
			_ = os.Remove(filepath.Join(run, "late.lock")) // there is one only where entries came late
		}
	}
	for _, run := range runs(t, accounts) {
		b, err := books.Read(run, nil)
		if err != nil {
			t.Fatal(err)
		}
		r := Of(b)
		var text, object, page bytes.Buffer
		e := json.NewEncoder(&object)
		e.SetIndent("", "  ")
		if err := r.Text(&text); err != nil {
			t.Fatal(err)
		}
		if err := e.Encode(r.JSON()); err != nil {
			t.Fatal(err)
		}
		if err := r.HTML(&page); err != nil {
			t.Fatal(err)
		}
		if lines := strings.Count(text.String(), "\n"); lines > 50 {
			t.Errorf("%s: the text has %d lines, which is more than a screen", run, lines)
		}
		for form, got := range map[string][]byte{"txt": text.Bytes(), "json": object.Bytes()} {
			path := filepath.Join(accounts, filepath.Base(run)+"."+form)
			if *update || *invent {
				if err := os.WriteFile(path, got, 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(path)
			if err != nil || !bytes.Equal(got, want) {
				t.Errorf("%s is not what the account gives now (%v):\n%s", path, err, got)
			}
		}
		for _, f := range b.Files {
			if f.SHA256 != "" && !strings.Contains(page.String(), f.SHA256) {
				t.Errorf("the page of %s does not carry the digest of %s", run, f.Name)
			}
		}
		var again bytes.Buffer
		if b, err = books.Read(run, nil); err != nil {
			t.Fatal(err)
		}
		if err := Of(b).HTML(&again); err != nil || !bytes.Equal(page.Bytes(), again.Bytes()) {
			t.Errorf("%s: the same files give another page (%v)", run, err)
		}
	}
}

// TestHardlyBegun: a run without a reading, and one with a single one, say so and have a page like any other.
func TestHardlyBegun(t *testing.T) {
	for _, hours := range []float64{0, 0.05} {
		in := newInventor(t, t.TempDir(), 10)
		in.run(hours, 2, false)
		in.must(in.w.Close())
		b, err := books.Read(in.w.Run(), nil)
		if err != nil {
			t.Fatal(err)
		}
		var text, page bytes.Buffer
		r := Of(b)
		in.must(r.Text(&text))
		in.must(r.HTML(&page))
		if strings.Contains(text.String(), "NaN") || strings.Contains(text.String(), "unknown") || !strings.Contains(text.String(), "The run is still open") {
			t.Errorf("after %g h:\n%s", hours, text.String())
		}
		if _, err := json.Marshal(Beside(b, b).JSON()); err != nil {
			t.Error(err)
		}
	}
}

// TestWhatTheEfficiencyRestsOn: without a weighing the deposit is a mean that the plan has a share in, and the efficiency is none of it; a test by
// figures alone ends in no empty words.
func TestWhatTheEfficiencyRestsOn(t *testing.T) {
	in := newInventor(t, t.TempDir(), 10)
	in.run(6, 2, false)
	in.end(func(add func(float64, string, string, ...runlog.Field)) {
		add(1, "assay", "", runlog.Number(bath.PerMass, 17))
		add(2, "identity", "", runlog.Number(bath.Mass, 2e-4), runlog.Number("gas_cubic_metres", 75e-6), runlog.Number(bath.EnteredKelvin, 294.15), runlog.Number("pressure_pascals", 100500))
	})
	b, err := books.Read(in.w.Run(), nil)
	in.must(err)
	var text bytes.Buffer
	in.must(Of(b).Text(&text))
	if said := strings.Join(strings.Fields(text.String()), " "); !strings.Contains(said, "% by the assays alone,") || !strings.Contains(said, "against pure zinc") || strings.Contains(said, "pure zinc;") {
		t.Errorf("the account says\n%s", text.String())
	}
}
