package run_test

import (
	"cmp"
	"log/slog"
	"math"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/run"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// night hands a run what a watch would, with every clock turned by hand and nobody at work but the test.
type night struct {
	t        *testing.T
	settings run.Settings
	past     run.Past
	run      *run.Run
	at       time.Duration // on the clock of the readings
	dark     time.Duration // that this boot is older than that clock
	amperes  drivers.Amperes
	mode     drivers.Mode
	known    run.Supply
}

const poll = 5 * time.Second

var evening = time.Date(2026, 3, 28, 21, 0, 0, 0, time.UTC)

func newNight(t *testing.T) *night {
	t.Helper()
	cfg, err := watchtest.Zinc(t.TempDir(), "may = [\"off\"]\nat_target = \"off\"", `charge = "30 A h"`, "")
	if err != nil {
		t.Fatal(err)
	}
	s, err := watch.SettingsOf(cfg, &cfg.Cells[0], nil, drivers.NewClock(1), slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	s.Speed, s.BathAtBegin = 1, s.Plan.Model.State()
	return &night{t: t, settings: s.Settings, amperes: 3, known: run.Supply{
		Up: true, Opened: 1, Identity: drivers.Identity{Maker: "EXAMPLE", Model: "PS-30-5"},
		Status: drivers.Status{Output: drivers.OutputOn, SetVolts: 6, SetAmperes: 3, LimitVolts: 8, LimitAmperes: 4},
	}}
}

// facts are of the moment after a reading.
func (n *night) facts() *run.Facts {
	n.known.Status.At = n.at
	return &run.Facts{Moment: run.Moment{Mono: n.at, UTC: evening.Add(n.dark + n.at), Boot: "a", SinceBoot: time.Hour + n.dark + n.at}, Supply: n.known}
}

func (n *night) reading() *drivers.Reading {
	output := drivers.OutputOn
	if n.amperes == 0 {
		output = drivers.OutputOff
	}
	return &drivers.Reading{At: n.at, Volts: 3.7, Amperes: n.amperes, Mode: cmp.Or(n.mode, drivers.ConstantCurrent), Output: output}
}

// round is one poll, and what the hands do after it.
func (n *night) round() {
	n.at += poll
	n.run.Learn(n.facts())
	n.run.Round(n.reading())
	if o := n.run.Decide(); o.Do == alerts.Off && o.Due {
		n.at += time.Second
		n.amperes, n.known.Status.Output = 0, drivers.OutputOff
		n.run.SwitchedOff(n.facts(), o, n.reading(), nil)
	}
}

func (n *night) shown() (s snapshot.Cell) {
	s = run.Blank(&n.settings)
	n.run.Fill(&s)
	return s
}

// TestANightRunsThroughWithoutAGoroutine takes a run to its target at 3 A: begun, entered into, stopped for an hour and
// taken up by another process, and switched off. The figures are those of the closed form, and the log replays to the same bits.
func TestANightRunsThroughWithoutAGoroutine(t *testing.T) {
	n := newNight(t)
	var err error
	if n.run, err = run.Begin(&n.settings, n.facts(), *n.reading(), run.Zero{}, n.settings.Count.ZeroAmperes); err != nil {
		t.Fatal(err)
	}
	n.run.Learn(n.facts())
	n.run.Round(n.reading())
	for range 720 {
		n.round()
	}
	if s := n.shown(); math.Abs(s.Charge.CountedCoulombs-3*3600) > 1e-6 || s.Charge.Gaps != 0 {
		t.Errorf("after an hour at 3 A: %v C in %d gaps", s.Charge.CountedCoulombs, s.Charge.Gaps)
	}
	before := n.shown().Bath.ConcentrationGramPerLitre
	if _, err := n.run.Enter(n.facts(), control.Entry{Cell: "zinc-1", Kind: "water", By: "test", Text: "topped up", Numbers: map[string]float64{"volume_cubic_metres": 1e-4}}); err != nil {
		t.Fatal(err)
	}
	if n.run.Reckon(); !(n.shown().Bath.ConcentrationGramPerLitre < 0.95*before) {
		t.Errorf("0.1 L of water on 0.9 L: from %v to %v g/L", before, n.shown().Bath.ConcentrationGramPerLitre)
	}
	if err := n.run.Close(n.facts()); err != nil {
		t.Fatal(err)
	}
	// Another process on the same boot: its clock begins anew, an hour later.
	n.dark, n.at = n.dark+n.at+time.Hour, 0
	n.known.Opened = 1
	if n.run, err = run.Resume(&n.settings, n.facts(), &n.past); err != nil || n.run == nil {
		t.Fatalf("taken up: %v, %v", n.run, err)
	}
	n.round()
	if s := n.shown(); s.Charge.Gaps != 1 || s.Charge.GapSeconds != 3605 || math.Abs(s.Charge.CountedCoulombs-3*(2*3600+5)) > 1e-6 {
		t.Errorf("after the dark hour: %d gaps of %v s, %v C", s.Charge.Gaps, s.Charge.GapSeconds, s.Charge.CountedCoulombs)
	}
	for rounds := 0; n.run.Ended() == ""; rounds++ {
		if rounds > 10*720 {
			t.Fatalf("the target of 30 A·h is not reached: %+v", n.shown().Charge)
		}
		n.round()
	}
	n.past.Take(n.run)
	s := &n.past.Final
	// Switched off a second after the reading that reached the target; the proof is a reading of no current.
	if want := 30*3600 + 3*0.5; !s.OffVerified || !s.Charge.TargetReached || math.Abs(s.Charge.CountedCoulombs-want) > 15 || s.Charge.CountedCoulombs < 30*3600 {
		t.Errorf("ended (%s) with %v C, want about %v C; off verified %v", s.EndedWhy, s.Charge.CountedCoulombs, want, s.OffVerified)
	}
	report, err := runlog.ReplayFile(s.Run)
	if err != nil || !report.Sound() || !report.Ended || report.Totals.Charge != s.Charge.CountedCoulombs || report.Totals.StandardUncertainty != s.Charge.UncertaintyCoulombs {
		t.Errorf("replay: %+v, %v; live %v C", report, err, s.Charge.CountedCoulombs)
	}
	var off, notices int
	watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
		switch {
		case r.Kind == runlog.KindOutput && r.Text("outcome") == "verified":
			off++
		case r.Kind == runlog.KindNotice:
			notices++
		}
	})
	if off != 1 || notices < 3 { // target reached, off, ended
		t.Errorf("%d offs and %d notices in the log", off, notices)
	}
}
