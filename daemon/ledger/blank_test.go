package ledger

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// TestTheBlankOfAnElectrodeIsThatOfTheNextRun: 18.2 g as entered before the run make a deposit of what its cathode weighs afterwards. What
// was weighed before the electrode stood in another run is no blank, and what the configuration states comes first.
func TestTheBlankOfAnElectrodeIsThatOfTheNextRun(t *testing.T) {
	data := t.TempDir()
	const named = `cathode_name = "al-1"`
	weigh := func(at time.Time, mass float64) {
		t.Helper()
		e := entry(bath.EntryWeighing, map[string]float64{bath.MassBefore: mass, bath.MassBeforeDoubt: 1e-5})
		e.At = at
		if _, err := Enter(data, OfElectrode, "al-1", e, at); err != nil {
			t.Fatal(err)
		}
	}
	deposit := func(c Continued) float64 {
		d, _ := c.Plan.Weighed(bath.Entry{Kind: bath.EntryWeighing, Numbers: map[string]float64{bath.MassAfter: 0.0250}})
		return d.Value
	}
	night{begin: monday, hours: 2, frozen: goesOn(t, data, "", named, monday).Frozen}.ran(t, data)
	if err := Settle(data, monday.Add(3*time.Hour), runlog.Patience); err != nil {
		t.Fatal(err)
	}
	weigh(monday.Add(4*time.Hour), 0.0182)
	second := goesOn(t, data, "", named, monday.Add(24*time.Hour))
	close9(t, "the deposit by the blank of the ledger", deposit(second), 0.0068)
	if b := second.Cell.Electrodes.CathodeMass; math.Abs(b.StandardUncertainty*math.Sqrt(3)/1e-5-1) > 1e-9 {
		t.Errorf("its half-width is %g kg", b.StandardUncertainty*math.Sqrt(3))
	}
	if second.Left == "" {
		t.Error("nothing is said of what is left in the bath")
	}
	stated := goesOn(t, data, "", named+"\ncathode_mass = \"18.0 g\"", monday.Add(24*time.Hour))
	close9(t, "the deposit by the blank of the configuration", deposit(stated), 0.0070)

	run := night{begin: monday.Add(24 * time.Hour), hours: 2, frozen: second.Frozen, open: true}.ran(t, data)
	on, err := GoOn(run, frozen(t, data, "", named), "zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	close9(t, "the deposit of the open run after a restart", deposit(on), 0.0068)

	night{begin: monday.Add(48 * time.Hour), hours: 2, frozen: second.Frozen}.ran(t, data)
	if third := goesOn(t, data, "", named, monday.Add(72*time.Hour)); third.Cell.Electrodes.CathodeMass.Value > 0 || deposit(third) == 0.0068 {
		t.Error("a blank that was weighed before the run before is taken for that of this one")
	}
}

// TestABlankIsOfTheElectrodeAsItIs: what it weighed before it was stripped, or was closed as spent, is no blank of a run that follows; of two
// weighings the one that was so later counts, in whatever order they are entered.
func TestABlankIsOfTheElectrodeAsItIs(t *testing.T) {
	data := t.TempDir()
	const named = `cathode_name = "al-1"`
	if err := Open(data, OfElectrode, "al-1", "ada", "", monday, runlog.Text("material", "aluminium")); err != nil {
		t.Fatal(err)
	}
	hour := func(n int) time.Time { return monday.Add(time.Duration(n) * time.Hour) }
	enter := func(kind string, at, now time.Time, numbers map[string]float64) error {
		e := entry(kind, numbers)
		e.At = at
		_, err := Enter(data, OfElectrode, "al-1", e, now)
		return err
	}
	blank := func() float64 {
		t.Helper()
		return goesOn(t, data, "", named, hour(24)).Cell.Electrodes.CathodeMass.Value
	}
	for _, step := range []struct {
		kind    string
		at, now int // h
		numbers map[string]float64
		blank   float64 // kg; 0: none
	}{
		{bath.EntryWeighing, 2, 2, map[string]float64{bath.MassBefore: 0.0182}, 0.0182},
		{bath.EntryWeighing, 1, 3, map[string]float64{bath.MassBefore: 0.0190}, 0.0182},
		{bath.EntryWeighing, 4, 4, map[string]float64{bath.MassAfter: 0.0235}, 0.0235},
		{control.EntryStripped, 5, 5, nil, 0},
		{bath.EntryWeighing, 6, 6, map[string]float64{bath.MassBefore: 0.0181}, 0.0181},
	} {
		if err := enter(step.kind, hour(step.at), hour(step.now), step.numbers); err != nil {
			t.Fatal(err)
		}
		if got := blank(); math.Abs(got-step.blank) > 1e-9 && (step.blank > 0 || got > 0) {
			t.Errorf("after the %s of hour %d the blank is %v kg, not %v", step.kind, step.at, got, step.blank)
		}
	}
	if err := enter(bath.EntryWeighing, hour(7), hour(7), map[string]float64{bath.Mass: 0.0181}); err == nil || !strings.Contains(err.Error(), "before, or after") {
		t.Errorf("a mass that no blank follows from: %v", err)
	}
	if err := Close(data, OfElectrode, "al-1", "ada", "pitted", hour(8)); err != nil {
		t.Fatal(err)
	}
	if got := blank(); got > 0 {
		t.Errorf("the blank %v kg is of an electrode that is spent", got)
	}
	night{begin: hour(24), hours: 2, frozen: goesOn(t, data, "", named, hour(24)).Frozen}.ran(t, data)
	if err := Settle(data, hour(27), runlog.Patience); err != nil {
		t.Fatal(err)
	}
	if el, err := ReadElectrode(data, "al-1"); err != nil || !el.Open || el.Mass.Known() || !el.Since.Truncate(time.Second).Equal(hour(24)) || len(el.Runs) != 1 || el.Area != 0.006 {
		t.Errorf("another electrode by the name of one that is spent stands as %+v, %v", el, err)
	}
}

// TestWhatARunWeighedReachesItsElectrode: the mass with the deposit on, as a late entry of the run has it, and no blank of the next run; an entry
// that says that the electrode was stripped before the run takes nothing off that came after.
func TestWhatARunWeighedReachesItsElectrode(t *testing.T) {
	data := t.TempDir()
	const named = "cathode_name = \"al-1\"\nanode_name = \"pb-1\""
	hour := func(n int) time.Time { return monday.Add(time.Duration(n) * time.Hour) }
	if err := Open(data, OfElectrode, "al-1", "ada", "", monday, runlog.Text("material", "aluminium")); err != nil {
		t.Fatal(err)
	}
	run := night{begin: hour(10), hours: 2, frozen: goesOn(t, data, "", named, hour(10)).Frozen}.ran(t, data)
	if err := Settle(data, hour(13), runlog.Patience); err != nil {
		t.Fatal(err)
	}
	w, err := runlog.OpenLate(run)
	if err != nil {
		t.Fatal(err)
	}
	e := entry(bath.EntryWeighing, map[string]float64{bath.MassBefore: 0.0182, bath.MassAfter: 0.0245})
	anode := entry(bath.EntryWeighing, map[string]float64{bath.MassAfter: 0.0901}, bath.Electrode, "anode")
	for _, e := range []control.Entry{e, anode} {
		if _, err := w.Append(hour(14), e.Kind, "", e.LogFields()...); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	stands := func(name string, mass, carries float64) {
		t.Helper()
		el, err := ReadElectrode(data, name)
		if err != nil || len(el.Problems) > 0 {
			t.Fatal(err, el.Problems)
		}
		if math.Abs(el.Mass.Value-mass) > 1e-9 || math.Abs(el.Carries.Value-carries) > 1e-5 {
			t.Errorf("%s weighs %g kg and carries %g kg, not %g kg and %g kg", name, el.Mass.Value, el.Carries.Value, mass, carries)
		}
	}
	stands("al-1", 0.0245, 0.0063)
	stands("pb-1", 0.0901, 0)
	if c := goesOn(t, data, "", named, hour(24)); c.Cell.Electrodes.CathodeMass.Value > 0 || !strings.HasPrefix(c.Blank, "unknown, as electrode al-1 is now: weigh it") {
		t.Errorf("the blank of a loaded cathode: %q", c.Blank)
	}
	strip := func(at, now time.Time) {
		t.Helper()
		e := entry(control.EntryStripped, nil)
		e.At = at
		if _, err := Enter(data, OfElectrode, "al-1", e, now); err != nil {
			t.Fatal(err)
		}
	}
	strip(hour(9), hour(15))
	stands("al-1", 0.0245, 0.0063)
	strip(hour(16), hour(16))
	stands("al-1", 0, 0)
	el, err := ReadElectrode(data, "al-1")
	if err != nil {
		t.Fatal(err)
	}
	var text strings.Builder
	if err := el.Sheet("").Text(&text); err != nil || !strings.Contains(text.String(), hour(16).Local().Format(time.DateTime)) {
		t.Errorf("no time of an entry: %s, %v", &text, err)
	}
}
