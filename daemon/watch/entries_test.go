package watch

import (
	"context"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestEntriesMoveTheBooks writes one entry of each kind and looks at bath, target and
// totals; a later process finds the same, and the log replays to the same bits.
func TestEntriesMoveTheBooks(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour + 2*time.Second)
		type state struct{ concentration, target, charge, volume float64 }
		look := func() state {
			s := c.Latest()
			v, err := answer(t.Context(), c, func(context.Context) (float64, error) { return c.settings.Plan.Model.Catholyte().Volume, nil })
			if err != nil {
				t.Fatal(err)
			}
			return state{s.Bath.ConcentrationGramPerLitre, s.Charge.TargetCoulombs, s.Charge.CountedCoulombs, v}
		}
		enter := func(kind string, numbers map[string]float64, words map[string]string) (before, after state) {
			t.Helper()
			before = look()
			if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: kind, By: "test", Text: "by hand", Numbers: numbers, Words: words}); err != nil {
				t.Fatalf("%s: %v", kind, err)
			}
			return before, look()
		}
		near := func(what string, got, want, within float64) {
			t.Helper()
			if math.Abs(got-want) > within {
				t.Errorf("%s: %.5g, want %.5g", what, got, want)
			}
		}
		// 50 g of ZnSO4·7H2O (287.58 g/mol, IUPAC weights) hold 11.37 g of zinc; 68 % of that
		// take 0.68·11.37/65.38·2·96485/0.88 = 25 930 C at 88 %.
		was, is := enter("addition", map[string]float64{"mass_kilograms": 0.050}, map[string]string{"formula": "ZnSO4·7H2O"})
		near("grams per litre added", (is.concentration-was.concentration)*0.9, 11.37, 0.02)
		near("target after an addition", is.target-was.target, 25930, 60)
		was, is = enter("water", map[string]float64{"volume_cubic_metres": 0.0001}, nil)
		near("dilution", is.concentration/was.concentration, 0.9/1.0, 0.001)
		near("target after water", is.target, was.target, 1)
		was, is = enter("sample", map[string]float64{"volume_cubic_metres": 0.00001}, nil)
		near("volume after a sample", was.volume-is.volume, 1e-5, 1e-9)
		near("concentration after a sample", is.concentration, was.concentration, 1e-6)
		if is.target >= was.target {
			t.Error("metal that was taken out need not be won, and the target stays")
		}
		was, is = enter("sludge", map[string]float64{"mass_kilograms": 0.002, "assay_ratio": 0.5}, nil)
		near("grams lost to sludge", (was.concentration-is.concentration)*0.99, 1, 0.01)
		_, is = enter("assay", map[string]float64{"concentration_kilograms_per_cubic_metre": 64}, nil)
		near("the assay", is.concentration, 64, 0.05) // weighed beside the account
		enter("electrode", map[string]float64{"area_square_metres": 0.004}, nil)
		was, is = enter("zero", map[string]float64{"amperes": 0.010, "standard_uncertainty": 0.001}, nil)
		near("charge after a zero of 10 mA for an hour", was.charge-is.charge, 36, 0.2)
		was, is = enter("check", map[string]float64{"factor": 1.01, "standard_uncertainty": 0.001}, nil)
		near("charge after a correction of 1 %", is.charge/was.charge, 1.01, 1e-9)
		enter("weighing", map[string]float64{"mass_kilograms": 0.003}, nil)
		enter("remark", nil, nil)

		for _, bad := range []struct {
			e    control.Entry
			want string
		}{
			{control.Entry{Kind: "assay"}, "needs concentration"},
			{control.Entry{Kind: "sample"}, "needs volume"},
			{control.Entry{Kind: "sample", Numbers: map[string]float64{"volume_cubic_metres": 5}}, "less than"},
			{control.Entry{Kind: "addition", Numbers: map[string]float64{"mass_kilograms": 1}}, "formula"},
			{control.Entry{Kind: "addition", Numbers: map[string]float64{"mass_kilograms": 1}, Words: map[string]string{"formula": "Zn(("}}, "Zn(("},
			{control.Entry{Kind: "zero"}, "needs amperes"},
			{control.Entry{Kind: "check", Numbers: map[string]float64{"factor": 0.5}}, "not plausible"},
			{control.Entry{Kind: "begin"}, "cannot be entered by hand"},
			{control.Entry{Kind: "settle"}, "is not a gap number"},
			{control.Entry{Kind: "lost", Numbers: map[string]float64{"readings": 5}}, "cannot be entered by hand"},
			{control.Entry{Kind: "end"}, "current still flows"},
		} {
			before := look()
			bad.e.Cell, bad.e.By = "zinc-1", "test"
			if _, err := c.Enter(t.Context(), bad.e); err == nil || !strings.Contains(err.Error(), bad.want) {
				t.Errorf("%s %v: %v, want %q", bad.e.Kind, bad.e.Numbers, err, bad.want)
			}
			if after := look(); after != before {
				t.Errorf("a refused %s changed the books from %+v to %+v", bad.e.Kind, before, after)
			}
		}
		end := look()
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		report, err := runlog.ReplayFile(s.Run)
		if err != nil || !report.Sound() || report.Totals.Charge != end.charge {
			t.Errorf("replay: %+v, %v; live %v C", report, err, end.charge)
		}
		again := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		if err := again.PickUp(); err != nil {
			t.Fatal(err)
		}
		if got := again.settings.Plan.Model.Catholyte().Concentration() * again.settings.Plan.Metal.Element.Weight.Value; math.Abs(got-end.concentration) > 1e-9 {
			t.Errorf("a later process finds %.6f g/L, there were %.6f g/L", got, end.concentration)
		}
		if err := again.GiveUp(); err != nil {
			t.Fatal(err)
		}
	})
}

func settled(gap int, high float64) control.Entry {
	return control.Entry{Cell: "zinc-1", Kind: "settle", By: "test", Text: "it was off", Numbers: map[string]float64{"index": float64(gap), "low": 0, "best": 0, "high": high}}
}

func offSince(gap int, off string) control.Entry {
	return control.Entry{Cell: "zinc-1", Kind: "settle", By: "test", Numbers: map[string]float64{"index": float64(gap)}, Words: map[string]string{"off": off}}
}

// TestSettlingAGap says afterwards that the output was off in the dark.
func TestSettlingAGap(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"1 h\"\nkind = \"silence\"\nlasts = \"10 min\"\n")
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(90*time.Minute + 2*time.Second)
		before := c.Latest()
		if _, err := c.Enter(t.Context(), settled(0, 10)); err != nil {
			t.Fatal(err)
		}
		for _, wrong := range []control.Entry{
			settled(7, 0), offSince(7, "02:10"), offSince(0, "at two"), offSince(0, before.Began.Add(50*time.Minute).Format(time.RFC3339)),
		} {
			if _, err := c.Enter(t.Context(), wrong); err == nil {
				t.Errorf("settled: %+v", wrong)
			}
		}
		after := c.Latest()
		// The supply fell silent after an hour, and gave about 3 A until it was off four minutes later.
		offAt := before.Began.Add(64 * time.Minute)
		for _, text := range []string{offAt.Format(time.RFC3339), offAt.In(time.Local).Format("15:04")} {
			done, err := c.Enter(t.Context(), offSince(0, text))
			if err != nil {
				t.Fatal(err)
			}
			q := c.Latest().Charge
			low, best, high := q.GapLowCoulombs, q.CountedCoulombs-q.ObservedCoulombs, q.GapHighCoulombs
			if math.Abs(best-720) > 200 || math.Abs(best-low-180) > 2 || math.Abs(high-best-180) > 2 {
				t.Errorf("off since %s: %v C, %v to %v C", text, best, low, high)
			}
			all, err := runlog.PersonsEntries(after.Run)
			if err != nil || len(all) == 0 || all[len(all)-1].Name() != done.Name || all[len(all)-1].Text("by") != "test" || all[len(all)-1].Text("off") != text {
				t.Errorf("entered as %q, and the log has %+v, %v", done.Name, all, err)
			}
			if len(done.Notes) != 2 || !strings.Contains(done.Notes[1], "gap 0 is booked as "+quantity.Interval(best/3600, low/3600, high/3600)) {
				t.Errorf("said of it: %q", done.Notes)
			}
		}
		if _, err := c.Enter(t.Context(), settled(0, 10)); err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		lost := before.Charge.CountedCoulombs - after.Charge.CountedCoulombs
		if math.Abs(lost-1800) > 30 || after.Charge.GapHighCoulombs != 10 {
			t.Errorf("%.0f C less are counted, up to %.0f C in the gap", lost, after.Charge.GapHighCoulombs)
		}
		if share := after.Bath.DepositGrams/before.Bath.DepositGrams - after.Charge.CountedCoulombs/before.Charge.CountedCoulombs; math.Abs(share) > 1e-3 {
			t.Error("the deposit does not follow")
		}
		if report, err := runlog.ReplayFile(after.Run); err != nil || !report.Sound() || report.Totals.Charge != after.Charge.CountedCoulombs {
			t.Errorf("replay: %+v, %v", report, err)
		}
	})
}

// TestAnAdditionAfterTheTargetMovesItAway reaches the target, adds salt, and expects the hands to act at the new target again.
func TestAnAdditionAfterTheTargetMovesItAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\"", `recover = "5 %"`, "")
		stop := watchtest.Start(t, c)
		until(t, 3*time.Hour, "the first hold", func() bool { return len(b.Sent()) == 1 })
		<-time.After(time.Minute)
		if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: "addition", By: "test",
			Numbers: map[string]float64{"mass_kilograms": 0.1}, Words: map[string]string{"formula": "ZnSO4·7H2O"}}); err != nil {
			t.Fatal(err)
		}
		if s := c.Latest(); s.Charge.TargetReached {
			t.Error("the target still counts as reached")
		}
		b.Instrument.Handle([]byte("CURR 3\n"))
		until(t, 3*time.Hour, "the second hold", func() bool { return len(b.Sent()) == 2 })
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestOffWithoutARun switches an output off on which no run is open, because next to nothing flows.
func TestOffWithoutARun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), "name = \"trickle\"\n[supply]\noutput = \"on\"\namperes = 0.0\n")
		c := zincCell(t, b, t.TempDir(), `may = ["off"]`, `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		err := c.SwitchOff(t.Context(), "test")
		if err != nil || b.Instrument.Truth(1).Output {
			t.Errorf("%v; output on: %v", err, b.Instrument.Truth(1).Output)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
