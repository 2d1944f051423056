package watch

import (
	"context"
	"math"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"testing"
	"testing/synctest"
	"time"
)

// TestDarkTimeThatTheClockTellsLater cuts the power of a board without a clock of its own
// for three hours, while the supply goes on or is switched off, and sets the clock right ten
// minutes after. The truth lies in the stated range then.
func TestDarkTimeThatTheClockTellsLater(t *testing.T) {
	t.Parallel()
	for _, off := range []bool{false, true} {
		synctest.Test(t, func(t *testing.T) {
			dir := t.TempDir()
			b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
			stop := watchtest.Start(t, zincCell(t, b, dir, "", `recover = "68 %"`, ""))
			<-time.After(time.Hour)
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			<-time.After(2 * time.Hour)
			if off {
				b.Instrument.Handle([]byte("OUTP OFF\n"))
			}
			<-time.After(time.Hour)
			c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
			behind := 3*time.Hour - 2*time.Second
			booted := time.Now()
			c.m.UTC = func() time.Time { return time.Now().UTC().Add(-behind) }
			c.m.Boot = func() (string, time.Duration, bool) { return "another", time.Minute + time.Since(booted), true }
			stop = watchtest.Start(t, c)
			<-time.After(10 * time.Minute)
			if err := c.ask(t.Context(), func(context.Context) error { behind = 0; return nil }); err != nil {
				t.Fatal(err)
			}
			<-time.After(10*time.Minute + time.Second)
			s := c.Latest()
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			report, err := runlog.ReplayFile(s.Run)
			if err != nil || !report.Sound() || report.Totals.Charge != s.Charge.CountedCoulombs {
				t.Errorf("replay: %+v, %v; live %v C", report, err, s.Charge.CountedCoulombs)
			}
			totals, truth := report.Totals, b.Instrument.Truth(1).Charge
			if truth < totals.Low()-20 || truth > totals.High()+20 || totals.Gaps != 2 || s.Charge.GapSeconds < 3*3600-10 {
				t.Errorf("off %v: %.0f to %.0f C in %d gaps of %.0f s, truly %.0f C", off, totals.Low(), totals.High(), totals.Gaps, s.Charge.GapSeconds, truth)
			}
			if miss := math.Abs(totals.Charge - truth); !off && miss > 60 || miss > 2*totals.StandardUncertainty+20 {
				t.Errorf("off %v: counted %.0f C, truly %.0f C, u = %.0f C", off, totals.Charge, truth, totals.StandardUncertainty)
			}
		})
	}
}

// TestStepsOfTheWallClockLeaveTheChargeAlone keeps a watch while the wall clock is
// turned by an hour each way and a summer time ends.
func TestStepsOfTheWallClockLeaveTheChargeAlone(t *testing.T) {
	charge := func(turn bool) (float64, string) {
		var counted float64
		var run string
		synctest.Test(t, func(t *testing.T) {
			b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
			c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
			var offset time.Duration
			c.m.UTC = func() time.Time { return time.Now().UTC().Add(offset) }
			ask := func(d time.Duration) {
				if turn {
					if err := c.ask(t.Context(), func(context.Context) error { offset = d; return nil }); err != nil {
						t.Error(err)
					}
				}
			}
			stop := watchtest.Start(t, c)
			<-time.After(time.Hour)
			ask(time.Hour)
			<-time.After(time.Hour)
			ask(-time.Hour)
			<-time.After(time.Hour + time.Second)
			s := c.Latest()
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			counted, run = s.Charge.CountedCoulombs, s.Run
			if s.Charge.Gaps != 0 {
				t.Errorf("%d gaps", s.Charge.Gaps)
			}
			if err := within2u(s, b.Instrument.Truth(1).Charge); err != nil {
				t.Error(err)
			}
			if report, err := runlog.ReplayFile(run); err != nil || !report.Sound() {
				t.Errorf("replay: %+v, %v", report, err)
			}
		})
		return counted, run
	}
	quiet, _ := charge(false)
	turned, _ := charge(true)
	if math.Abs(quiet-turned) > 1e-9*quiet {
		t.Errorf("%.9f C with a steady wall clock, %.9f C with a turned one", quiet, turned)
	}
}
