package page

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

func TestAWayOutTellsWhatItHolds(t *testing.T) {
	for _, c := range []struct {
		way         routes.Health
		state, note string
	}{
		{routes.Health{Name: "telephone", Delivered: 3, OpenAlarms: 1}, "normal", "3 delivered"},
		{routes.Health{Name: "telephone", Lag: 10 * time.Minute, Problem: "connection refused"}, "connection refused", "0 delivered, oldest undelivered 10 min old"},
		{routes.Health{Name: "lab", Delivered: 5000, SetAside: 2}, "normal", "5000 delivered, 2 rejected"},
	} {
		if got, want := wayRow("route", "Route", c.way), (row{"route-" + c.way.Name, "Route " + c.way.Name, c.state, c.note}); got != want {
			t.Errorf("%+v, want %+v", got, want)
		}
	}
}

func TestATargetTellsOfAnUnconfirmedEntry(t *testing.T) {
	c := &snapshot.Cell{}
	c.Charge.Unconfirmed, c.Charge.TargetWith, c.Charge.TargetWithout = "assay", 78.9*3600, 26.1*3600
	if got, want := drift(c), "the earlier of two: 78.90\u202fA·h with the unconfirmed assay, 26.10\u202fA·h without"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	c.Charge.TargetWith = math.Inf(1)
	if got, want := drift(c), "the earlier of two: never reached with the unconfirmed assay, 26.10\u202fA·h without"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestTheChargeOfAShortIsVoid: it is counted, and what of it wins nothing is said beside it.
func TestTheChargeOfAShortIsVoid(t *testing.T) {
	c := &snapshot.Cell{}
	c.Charge.CountedCoulombs, c.Charge.ShuntedCoulombs = 20*3600, 1.25*3600
	if got, want := (&Page{s: Settings{Now: time.Now}}).chargeRows(c)[0].Note, "k = 2; through a short circuit, not counted as deposit: 1.25\u202fA·h"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// TestTargetOfAnUnstatedEfficiency: limits that are not the same to both sides are a range on the page too.
func TestTargetOfAnUnstatedEfficiency(t *testing.T) {
	c := &snapshot.Cell{Charge: snapshot.Charge{TargetCoulombs: 65 * 3600, TargetUncertainty: 16 * 3600}}
	p := &Page{s: Settings{Now: time.Now}}
	if got := p.chargeRows(c)[1].Value; !strings.Contains(got, "±") {
		t.Errorf("%q", got)
	}
	c.Charge.TargetBelow, c.Charge.TargetAbove = 22*3600, 34*3600
	if got := strings.ReplaceAll(p.chargeRows(c)[1].Value, "\u00a0", " "); !strings.HasPrefix(got, "65 (43 to 99)") {
		t.Errorf("%q", got)
	}
}

// TestAcidHasItsSign: before a chlorine anode a bath loses acid, Q/F·(1 − efficiency), and a zincate bath gains two OH⁻ for each zinc; neither has made
// acid, and no mass is below zero (chemistry, no source needed).
func TestAcidHasItsSign(t *testing.T) {
	c := new(snapshot.Cell)
	for _, test := range []struct {
		name, want string
		grams      float64
	}{{"H2SO4", "Acid made", 3}, {"HCl", "Acid used up", -3}, {"NaOH", "Alkali used up", 3}, {"NaOH", "Alkali made", -3}} {
		c.Bath.AcidName, c.Bath.AcidGrams = test.name, test.grams
		for _, r := range loadRows(c) {
			if r.Key == "acid" && (r.Label != test.want || !strings.HasPrefix(r.Value, "3.00")) {
				t.Errorf("%+v: %+v", test, r)
			}
		}
	}
}

// TestNothingFlowsWhileOff: the ammeter's offset makes no gas.
func TestNothingFlowsWhileOff(t *testing.T) {
	c := &snapshot.Cell{}
	c.Reading.Amperes, c.Bath.HydrogenLitresPerHour, c.Bath.AnodeGasLitresPerHour = 0.001, 0.000456, 0.000228
	for output, want := range map[drivers.Output][]string{
		drivers.OutputOn:  {"0.000456\u202fL/h", "0.000228\u202fL/h", "5.0e−05\u202fm³/h"},
		drivers.OutputOff: {"0\u202fL/h", "0\u202fL/h", "0\u202fm³/h"},
	} {
		c.Reading.Output = output
		for i, r := range loadRows(c)[1:4] {
			if strings.ReplaceAll(r.Value, "\u2060", "") != want[i] { // but for what joins the words
				t.Errorf("output %v: %s is %q, want %q", output, r.Label, r.Value, want[i])
			}
		}
	}
}
