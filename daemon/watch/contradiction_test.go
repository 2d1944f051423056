package watch

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/late"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// zincAssay is an assay of the catholyte in g/L.
func zincAssay(by string, gramsPerLitre float64) control.Entry {
	return control.Entry{Cell: "zinc-1", Kind: bath.EntryAssay, By: by, Numbers: map[string]float64{bath.PerMass: gramsPerLitre}}
}

// entryOn enters into the zinc cell.
func entryOn(t *testing.T, c *Cell, e control.Entry) ([]string, error) {
	t.Helper()
	e.Cell = "zinc-1"
	done, err := c.Enter(t.Context(), e)
	return done.Notes, err
}

// TestASlipDoesNotDisarmTheStop: an assay with a digit too many is refused with both figures and
// the consequence; said again as certain it is taken and told, the target of the books before still acts, over a
// restart too, and the output is switched off there.
func TestASlipDoesNotDisarmTheStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, offAtTarget, `recover = "20 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour + 2*time.Second)
		before := c.Latest()
		slip := zincAssay("ann", 10*before.Bath.ConcentrationGramPerLitre)
		_, err := entryOn(t, c, slip)
		if !control.IsContradiction(err) {
			t.Fatalf("an assay ten times what the books say: %v", err)
		}
		for _, want := range []string{"the mass balance", "g/L", "target 10.", " → ", "A·h, finish ", " later"} {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q is missing in: %v", want, err)
			}
		}
		if after := c.Latest(); math.Abs(after.Charge.TargetCoulombs-before.Charge.TargetCoulombs) > 0.01 || after.Charge.Unconfirmed != "" {
			t.Errorf("a refused assay moved the target from %.1f C to %.1f C", before.Charge.TargetCoulombs, after.Charge.TargetCoulombs)
		}
		slip.Certain = true
		if notes, err := entryOn(t, c, slip); err != nil || len(notes) == 0 || !strings.Contains(notes[0], "the earlier of the two targets applies") {
			t.Fatalf("%q, %v", notes, err)
		}
		s := c.Latest()
		if math.Abs(s.Charge.TargetCoulombs-before.Charge.TargetCoulombs) > 0.01 || s.Charge.Unconfirmed != "assay" || s.Charge.TargetWith < 5*s.Charge.TargetWithout {
			t.Errorf("unconfirmed, the earlier target does not act: %+v", s.Charge)
		}
		if math.Abs(s.Bath.ConcentrationGramPerLitre-slip.Numbers[bath.PerMass]) > 1e-6 {
			t.Errorf("the assay is not in the books: %v g/L", s.Bath.ConcentrationGramPerLitre)
		}
		for _, who := range []string{"ann", " Ann ", ""} {
			if _, err := entryOn(t, c, control.Entry{Kind: bath.EntryConfirm, By: who}); !control.IsMistake(err) {
				t.Errorf("%q confirmed an entry of ann's: %v", who, err)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		told := false
		watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
			told = told || r.Kind == runlog.KindNotice && r.Text("priority") == "highest" && strings.Contains(r.Text("subject"), "assay accepted against the mass balance, target 10.") && strings.Contains(r.Text("text"), "ann entered it as certain")
		})
		if !told {
			t.Error("no notice goes to the routes")
		}

		again := zincCell(t, b, dir, offAtTarget, `recover = "20 %"`, "")
		stop = watchtest.Start(t, again)
		<-time.After(time.Minute)
		if s := again.Latest(); math.Abs(s.Charge.TargetCoulombs-before.Charge.TargetCoulombs) > 60 || s.Charge.Unconfirmed != "assay" {
			t.Errorf("after a restart: %+v", s.Charge)
		}
		untilShown(t, again, 8*time.Hour, "the output is off", hasEnded)
		if s := again.Latest(); s.Charge.CountedCoulombs > before.Charge.TargetCoulombs+60 {
			t.Errorf("switched off at %.0f C, the target lay at %.0f C", s.Charge.CountedCoulombs, before.Charge.TargetCoulombs)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestWhatConfirmsAnEntryAndWhatTakesItBack: another person or a second assay lets the new target act; an assay that
// agrees with the books before takes the entry back; and an earlier target acts at once.
func TestWhatConfirmsAnEntryAndWhatTakesItBack(t *testing.T) {
	for _, tt := range []struct {
		name   string
		second func(was float64) control.Entry
		grams  float64 // in the bath afterwards, as a multiple of before
		moved  bool    // the later target acts
	}{
		{"another person", func(float64) control.Entry { return control.Entry{Kind: bath.EntryConfirm, By: "bob"} }, 2, true},
		{"a second assay", func(was float64) control.Entry { return zincAssay("ann", 2.01*was) }, 2.005, true}, // weighed beside the first,
		{"an assay of the books before", func(was float64) control.Entry { return zincAssay("ann", 1.005*was) }, 1.004, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				c := zincCell(t, watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir(), "", `recover = "20 %"`, "")
				stop := watchtest.Start(t, c)
				<-time.After(10*time.Minute + 2*time.Second)
				was := c.Latest()
				slip := zincAssay("ann", 2*was.Bath.ConcentrationGramPerLitre)
				slip.Certain = true
				if _, err := entryOn(t, c, slip); err != nil {
					t.Fatal(err)
				}
				if _, err := entryOn(t, c, tt.second(was.Bath.ConcentrationGramPerLitre)); err != nil {
					t.Fatal(err)
				}
				s := c.Latest()
				if s.Charge.Unconfirmed != "" {
					t.Errorf("still unconfirmed: %+v", s.Charge)
				}
				if got := s.Bath.ConcentrationGramPerLitre / was.Bath.ConcentrationGramPerLitre; math.Abs(got-tt.grams) > 1e-3 {
					t.Errorf("%.4f times the metal is in the bath, want %.4f", got, tt.grams)
				}
				if moved := s.Charge.TargetCoulombs > 1.5*was.Charge.TargetCoulombs; moved != tt.moved {
					t.Errorf("the target went from %.0f C to %.0f C", was.Charge.TargetCoulombs, s.Charge.TargetCoulombs)
				}
				if _, err := entryOn(t, c, control.Entry{Kind: bath.EntryConfirm, By: "bob"}); err == nil {
					t.Error("what is settled was confirmed once more")
				}
				if err := stop(); err != nil {
					t.Fatal(err)
				}
			})
		})
	}
}

// TestAnUnconfirmedEntrySurvivesAKill takes the run up from a log whose last checkpoint stands before the entry.
func TestAnUnconfirmedEntrySurvivesAKill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, "", `recover = "20 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(10*time.Minute + 2*time.Second)
		was := c.Latest()
		slip := zincAssay("ann", 2*was.Bath.ConcentrationGramPerLitre)
		slip.Certain = true
		if _, err := entryOn(t, c, slip); err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		cutBehind(t, was.Run, func(r *runlog.Record) bool { return r.Kind == runlog.KindEntry && r.Text("kind") == bath.EntryAssay })
		again := zincCell(t, b, dir, "", `recover = "20 %"`, "")
		if err := again.PickUp(); err != nil {
			t.Fatal(err)
		}
		st := again.settings.Plan.Standing(3)
		if st.Unconfirmed != "assay" || math.Abs(st.TargetCharge-was.Charge.TargetCoulombs) > 60 || st.TargetWith < 1.5*st.TargetWithout {
			t.Errorf("taken up: %+v; the target lay at %.0f C", st, was.Charge.TargetCoulombs)
		}
		if err := again.GiveUp(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestLateEntriesAreFollowedOnce: what was entered beside the log while nobody watched moves bath, target and charge when
// the run is taken up, and does so once, also when the mark of it was written and no checkpoint behind it.
func TestLateEntriesAreFollowedOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour + 2*time.Second)
		was := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		beside := func(e control.Entry) { enterBeside(t, was.Run, e) }
		salt := control.Entry{Cell: "zinc-1", Kind: bath.EntryAddition, By: "ann", Numbers: map[string]float64{bath.Mass: 0.05}, Words: map[string]string{bath.Formula: "ZnSO4·7H2O"}}
		beside(salt)
		beside(control.Entry{Cell: "zinc-1", Kind: runlog.EntryZero, By: "ann", Numbers: map[string]float64{"amperes": 0.010, "standard_uncertainty": 0.001}})
		take := func(what string) {
			t.Helper()
			again := zincCell(t, b, dir, "", `recover = "68 %"`, "")
			if err := again.PickUp(); err != nil {
				t.Fatal(err)
			}
			// 50 g of ZnSO4·7H2O hold 11.37 g of zinc, and 68 % of it take 25 930 C at 88 %; 10 mA for an hour are 36 C.
			st := again.settings.Plan.Standing(3)
			if d := st.TargetCharge - was.Charge.TargetCoulombs; math.Abs(d-25930) > 80 {
				t.Errorf("%s: the target moved by %.0f C", what, d)
			}
			if d := was.Charge.CountedCoulombs - st.Charge; math.Abs(d-36) > 4 {
				t.Errorf("%s: the charge moved by %.1f C", what, d)
			}
			if err := again.GiveUp(); err != nil {
				t.Fatal(err)
			}
		}
		take("taken up")
		take("taken up again")
		cutBehind(t, was.Run, func(r *runlog.Record) bool { return r.Text("kind") == "followed" })
		take("killed before the checkpoint")
		again := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop = watchtest.Start(t, again)
		<-time.After(time.Minute)
		beside(salt) // while the watch runs
		<-time.After(30 * time.Second)
		if d := again.Latest().Charge.TargetCoulombs - was.Charge.TargetCoulombs; math.Abs(d-2*25930) > 160 {
			t.Errorf("entered beside a watch: the target moved by %.0f C", d)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// enterBeside writes an entry beside the log of a run.
func enterBeside(t *testing.T, run string, e control.Entry) {
	t.Helper()
	w, err := runlog.OpenLate(run)
	if err == nil {
		_, err = w.Append(time.Now(), e.Kind, "", e.LogFields()...)
	}
	if err != nil || w.Close() != nil {
		t.Fatal(err)
	}
}

// TestALateEntryMovesAReachedTargetAway: the hands act at the new target again, as after an entry that the watch itself took.
func TestALateEntryMovesAReachedTargetAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\"", `recover = "5 %"`, "")
		stop := watchtest.Start(t, c)
		until(t, 3*time.Hour, "the first hold", func() bool { return len(b.Sent()) == 1 })
		<-time.After(time.Minute)
		enterBeside(t, c.Latest().Run, control.Entry{Cell: "zinc-1", Kind: bath.EntryAddition, By: "ann", Numbers: map[string]float64{bath.Mass: 0.1}, Words: map[string]string{bath.Formula: "ZnSO4·7H2O"}})
		<-time.After(70 * time.Second)
		if c.Latest().Charge.TargetReached {
			t.Error("the target still counts as reached")
		}
		b.Instrument.Handle([]byte("CURR 3\n"))
		<-time.After(3 * time.Hour)
		if n := len(b.Sent()); n != 2 {
			t.Errorf("%d commands, want the second hold", n)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestLateEntriesAreJudgedByTheBooksAsTheyAreNow: a settlement beside the log counts, the account keeps the newest zero
// whichever way it came, and an assay against the books waits to be confirmed.
func TestLateEntriesAreJudgedByTheBooksAsTheyAreNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"1 h\"\nkind = \"silence\"\nlasts = \"10 min\"\n")
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(90*time.Minute + 2*time.Second)
		run := c.Latest().Run
		enterBeside(t, run, control.Entry{Cell: "zinc-1", Kind: runlog.EntrySettle, By: "ann", Numbers: map[string]float64{"index": 0, "low": 0, "best": 0, "high": 10}})
		enterBeside(t, run, control.Entry{Cell: "zinc-1", Kind: runlog.EntryZero, By: "ann", Numbers: map[string]float64{"amperes": 0.010, "standard_uncertainty": 0.001}})
		<-time.After(70 * time.Second)
		if high := c.Latest().Charge.GapHighCoulombs; high != 10 {
			t.Errorf("up to %.0f C are booked for the gap, settled at up to 10 C", high)
		}
		if all, err := runlog.PersonsEntries(run); err != nil || len(all) != 2 {
			t.Errorf("two entries beside the log are %d of persons once followed, %v", len(all), err)
		}
		if _, err := entryOn(t, c, control.Entry{Kind: runlog.EntryZero, By: "ann", Numbers: map[string]float64{"amperes": 0.002, "standard_uncertainty": 0.001}}); err != nil {
			t.Fatal(err)
		}
		target := c.Latest().Charge.TargetCoulombs
		enterBeside(t, run, control.Entry{Cell: "zinc-1", Kind: bath.EntryAssay, By: "ann", Numbers: map[string]float64{bath.PerMass: 300}})
		<-time.After(70 * time.Second)
		if s := c.Latest(); s.Charge.Unconfirmed != bath.EntryAssay || math.Abs(s.Charge.TargetCoulombs-target) > 60 {
			t.Errorf("unconfirmed %q, the target went from %.0f to %.0f C", s.Charge.Unconfirmed, target, s.Charge.TargetCoulombs)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		kept, err := books.Read(run, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range kept.Late.Records[:2] {
			e := control.Entry{Cell: "zinc-1", Kind: runlog.EntryRetract, By: "bob", Words: map[string]string{runlog.RetractedEntry: r.Name()}}
			if _, err := late.Enter(run, e, time.Now()); err == nil || !strings.Contains(err.Error(), "already applies to the charge") {
				t.Errorf("taking back the %s: %v", r.Text("kind"), err)
			}
		}
		if got, want := kept.Account.Totals.Charge, c.Latest().Charge.CountedCoulombs; math.Abs(got-want) > 1 {
			t.Errorf("the account has %.1f C, the watch counted %.1f C", got, want)
		}
	})
}

// TestWhatTheLogDoesNotTakeHasNotHappened lets the log refuse the line of each kind of entry; coulometer and bath stand as before.
func TestWhatTheLogDoesNotTakeHasNotHappened(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"1 h\"\nkind = \"silence\"\nlasts = \"10 min\"\n")
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(90*time.Minute + 2*time.Second)
		long := strings.Repeat("x", 1<<20) // no line of the log is so long
		look := func() (float64, bath.State) {
			var charge float64
			s, err := answer(t.Context(), c, func(context.Context) (bath.State, error) {
				charge = c.Latest().Charge.CountedCoulombs
				return c.settings.Plan.Model.State(), nil
			})
			if err != nil {
				t.Fatal(err)
			}
			return charge, s
		}
		charge, books := look()
		for kind, numbers := range map[string]map[string]float64{
			"zero": {"amperes": 0.01}, "check": {"factor": 1.01}, "water": {bath.LiquidVolume: 1e-4}, "assay": {bath.PerMass: c.Latest().Bath.ConcentrationGramPerLitre},
		} {
			if _, err := entryOn(t, c, control.Entry{Kind: kind, By: "ann", Text: long, Numbers: numbers}); err == nil {
				t.Errorf("%s: no word of the log that did not take it", kind)
			}
		}
		gap := settled(0, 10)
		gap.Text = long
		if _, err := c.Enter(t.Context(), gap); err == nil {
			t.Error("settle: no word of the log that did not take it")
		}
		if gotCharge, got := look(); gotCharge != charge || got != books {
			t.Errorf("%v C and %+v became %v C and %+v", charge, books, gotCharge, got)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestAdditionsBookTheirMetal: by salt or by metal, by mass or by concentration and volume; a salt without the metal says so.
func TestAdditionsBookTheirMetal(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := zincCell(t, watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		const solution = 0.05e-3
		for _, tt := range []struct {
			formula string
			numbers map[string]float64
			grams   float64 // of zinc: 65.38 g/mol in ZnSO4·7H2O of 287.58 g/mol (IUPAC weights) are 0.2273
			note    string
			refused string
		}{
			{"ZnSO4·7H2O", map[string]float64{bath.Mass: 0.05, bath.AssayRatio: 0.99}, 11.254, "A·h, finish 2.4 h later", ""},
			{"ZnSO4·7H2O", map[string]float64{bath.PerMass: 260, bath.LiquidVolume: solution}, 2.955, "A·h, finish 37 min later", ""},
			{"ZnSO4", map[string]float64{bath.PerMole: 500, bath.LiquidVolume: solution}, 1.6345, "A·h, finish 21 min later", ""},
			{"", map[string]float64{bath.PerMass: 60, bath.LiquidVolume: solution}, 3, "A·h, finish 38 min later", ""},
			{"NaCl", map[string]float64{bath.Mass: 0.01}, 0, "no metal was booked: NaCl holds no zinc", ""},
			{"ZnSO4", map[string]float64{bath.LiquidVolume: solution}, 0, "no metal was booked", ""},
			{"ZnSO4", map[string]float64{bath.Mass: 0.01, bath.AssayRatio: 1.5}, 0, "", "150 %"},
			{"ZnSO4", map[string]float64{bath.Mass: 0.01, bath.AssayRatio: 0}, 0, "", "0 %"},
			{"", map[string]float64{bath.PerMass: 60, bath.Mass: 0.01, bath.LiquidVolume: solution}, 0, "", "both"},
			{"ZnSO4", map[string]float64{bath.Mass: -0.01}, 0, "", "has to be zero or above"},
			{"", map[string]float64{bath.PerMass: 60, bath.AssayRatio: 0.9, bath.LiquidVolume: solution}, 0, "", "formula"},
			{"ZnSO4·7H2O", map[string]float64{bath.Mass: 5}, 0, "", "dissolve"},
		} {
			look := func() float64 {
				s := c.Latest()
				m, err := answer(t.Context(), c, func(context.Context) (float64, error) {
					return c.settings.Plan.Model.Catholyte().Supplied * c.settings.Plan.Metal.Element.Weight.Value * 1e3, nil
				})
				if err != nil || s == nil {
					t.Fatal(err)
				}
				return m
			}
			was := look()
			e := control.Entry{Kind: bath.EntryAddition, By: "ann", Numbers: tt.numbers, Words: map[string]string{}}
			if tt.formula != "" {
				e.Words[bath.Formula] = tt.formula
			}
			notes, err := entryOn(t, c, e)
			if tt.refused != "" {
				if err == nil || !strings.Contains(err.Error(), tt.refused) {
					t.Errorf("%s %v: %v, want it refused with %q", tt.formula, tt.numbers, err, tt.refused)
				}
			} else if err != nil {
				t.Errorf("%s %v: %v", tt.formula, tt.numbers, err)
			}
			if got := look() - was; math.Abs(got-tt.grams) > 0.002 {
				t.Errorf("%s %v: %.4f g booked, want %.4f g", tt.formula, tt.numbers, got, tt.grams)
			}
			if said := strings.Join(notes, " "); (tt.note == "") != (said == "") || !strings.Contains(said, tt.note) {
				t.Errorf("%s %v: says %q, want %q", tt.formula, tt.numbers, said, tt.note)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// cutBehind cuts the log of a run behind the last line that is asked for, as a kill there would have left it.
func cutBehind(t *testing.T, run string, wanted func(*runlog.Record) bool) {
	t.Helper()
	r, err := runlog.Open(run)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var rec runlog.Record
	end := int64(0)
	for r.Next(&rec) == nil {
		if wanted(&rec) {
			end = r.Offset()
		}
	}
	if end == 0 {
		t.Fatal("there is no such line")
	}
	if err := os.Truncate(filepath.Join(run, runlog.LogName), end); err != nil {
		t.Fatal(err)
	}
}
