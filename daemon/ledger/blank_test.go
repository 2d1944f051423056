package ledger

import (
	"testing"
	"time"

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
		e := entry(bath.EntryWeighing, map[string]float64{bath.MassBefore: mass})
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
	if third := goesOn(t, data, "", named, monday.Add(72*time.Hour)); third.Cell.Electrodes.CathodeMass.SI > 0 || deposit(third) == 0.0068 {
		t.Error("a blank that was weighed before the run before is taken for that of this one")
	}
}
