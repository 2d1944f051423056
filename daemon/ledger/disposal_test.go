package ledger

import (
	"errors"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// discard enters into a run that a liquid was handed over, as the checklist of the end does.
func discard(t *testing.T, run, what string, m3 float64, at time.Time) {
	t.Helper()
	e := entry(control.EntryDiscarded, map[string]float64{bath.LiquidVolume: m3}, "what", what, "to", "waste acid")
	e.At = at
	w, err := runlog.OpenLate(run)
	if err != nil {
		t.Fatal(err)
	}
	_, err = w.Append(at, e.Kind, e.Text, e.LogFields()...)
	if err := errors.Join(err, w.Close()); err != nil {
		t.Fatal(err)
	}
}

// TestTheAnolyteIsRenewedAfterEachRun: it is handed over the morning after and filled anew as stated; the catholyte goes on.
func TestTheAnolyteIsRenewedAfterEachRun(t *testing.T) {
	data := t.TempDir()
	at := monday
	for i := range 3 {
		c, err := Continue(data, frozen(t, data, "", ""), "zinc-1", at, runlog.Patience)
		if err != nil {
			t.Fatalf("run %d: %v", i+1, err)
		}
		close9(t, "left", c.Plan.Amount.Value, 0.056-float64(i)*won(2))
		run := night{begin: at, hours: 2, frozen: c.Frozen}.ran(t, data)
		discard(t, run, "anolyte", 0.5e-3, at.Add(12*time.Hour))
		at = at.Add(24 * time.Hour)
	}
}

// TestAnAnolyteOfWhichNoVolumeIsStatedIsHandedOver.
func TestAnAnolyteOfWhichNoVolumeIsStatedIsHandedOver(t *testing.T) {
	data := t.TempDir()
	stated := func() []byte {
		return []byte(strings.Replace(string(frozen(t, data, "", "")), `volume = "0.5 L"`, "", 1))
	}
	run := night{begin: monday, hours: 2, frozen: stated()}.ran(t, data)
	discard(t, run, "anolyte", 0.5e-3, monday.Add(12*time.Hour))
	c, err := Continue(data, stated(), "zinc-1", monday.Add(24*time.Hour), runlog.Patience)
	if err != nil {
		t.Fatal(err)
	}
	close9(t, "left", c.Plan.Amount.Value, 0.056-won(2))
}

// TestANewFillingIsNotHeldToWhatWasWrongWithTheOneBefore.
func TestANewFillingIsNotHeldToWhatWasWrongWithTheOneBefore(t *testing.T) {
	data := t.TempDir()
	sample := entry(bath.EntrySample, map[string]float64{bath.LiquidVolume: 0.95e-3}) // more than there is
	night{begin: monday, hours: 2, frozen: frozen(t, data, "", ""), entries: map[float64]control.Entry{1: sample}}.ran(t, data)
	second, err := Continue(data, frozen(t, data, "", ""), "zinc-1", monday.Add(24*time.Hour), runlog.Patience)
	if err == nil {
		t.Fatal("a ledger with such a sample is gone by")
	}
	close9(t, "the second begins with", second.Plan.Amount.Value, 0.056)
	night{begin: monday.Add(24 * time.Hour), hours: 2, frozen: second.Frozen}.ran(t, data)
	third, err := Continue(data, frozen(t, data, "", ""), "zinc-1", monday.Add(48*time.Hour), runlog.Patience)
	if err != nil {
		t.Error(err)
	}
	close9(t, "the third begins with", third.Plan.Amount.Value, 0.056-won(2))
}

// TestTheWholeBathIsDiscardedByItsRoundFigure: a sample was taken, so that there is a little less. The next run begins a new filling.
func TestTheWholeBathIsDiscardedByItsRoundFigure(t *testing.T) {
	data := t.TempDir()
	sample := entry(bath.EntrySample, map[string]float64{bath.LiquidVolume: 5e-6})
	run := night{begin: monday, hours: 2, frozen: frozen(t, data, "", ""), entries: map[float64]control.Entry{1: sample}}.ran(t, data)
	if err := Settle(data, monday.Add(3*time.Hour), runlog.Patience); err != nil {
		t.Fatal(err)
	}
	discard(t, run, "catholyte", 0.9e-3, monday.Add(12*time.Hour))
	b, err := ReadBath(data, "zinc-1")
	if err != nil || len(b.Problems) > 0 || b.Side.Volume().Value != 0 {
		t.Errorf("%v, %q, %g m3", err, b.Problems, b.Side.Volume().Value)
	}
	next, err := Continue(data, frozen(t, data, "", ""), "zinc-1", monday.Add(24*time.Hour), runlog.Patience)
	if err == nil {
		t.Fatal("an empty bath is gone on with")
	}
	night{begin: monday.Add(24 * time.Hour), hours: 2, frozen: next.Frozen}.ran(t, data)
	close9(t, "after a run of the new filling", goesOn(t, data, "", "", monday.Add(48*time.Hour)).Plan.Amount.Value, 0.056-won(2))
}

// TestARunThatBeganAsStatedTookFromTheBath: its ledger could not be read for a moment.
func TestARunThatBeganAsStatedTookFromTheBath(t *testing.T) {
	data := t.TempDir()
	stated := frozen(t, data, "", "")
	night{begin: monday, hours: 5, frozen: stated}.ran(t, data)
	goesOn(t, data, "", "", monday.Add(12*time.Hour))
	night{begin: monday.Add(24 * time.Hour), hours: 2, frozen: stated}.ran(t, data)
	close9(t, "left", goesOn(t, data, "", "", monday.Add(48*time.Hour)).Plan.Amount.Value, 0.056-won(5)-won(2))
}

// TestAnotherMetalUnderTheSameNameIsAnotherFilling: a bath of silver was not closed before one of zinc was used.
func TestAnotherMetalUnderTheSameNameIsAnotherFilling(t *testing.T) {
	data := t.TempDir()
	zinc := frozen(t, data, "", "")
	silver := []byte(strings.NewReplacer(`metal = "Zn"`, `metal = "Ag"`, `medium = "sulfate"`, `medium = "methanesulfonate"`).Replace(string(zinc)))
	night{begin: monday, hours: 2, frozen: silver}.ran(t, data)
	if err := Settle(data, monday.Add(3*time.Hour), runlog.Patience); err != nil {
		t.Fatal(err)
	}
	night{begin: monday.Add(24 * time.Hour), hours: 2, frozen: zinc}.ran(t, data)
	close9(t, "left", goesOn(t, data, "", "", monday.Add(48*time.Hour)).Plan.Amount.Value, 0.056-won(2))
}
