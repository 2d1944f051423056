package watch

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestNightToTheTarget keeps a whole night's watch in virtual time: the charge is
// right, the output goes off by command and read-back, and the log replays to the same bits.
func TestNightToTheTarget(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), night)
		c := zincCell(t, b, t.TempDir(), `may = ["off"]`+"\n"+`at_target = "off"`, `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, 14*time.Hour, "the run ends", hasEnded)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if !s.Charge.TargetReached || !s.OffVerified {
			t.Errorf("reached %v, verified off %v", s.Charge.TargetReached, s.OffVerified)
		}
		truth := b.Instrument.Truth(1)
		if truth.Output {
			t.Error("the output is still on")
		}
		if err := within2u(s, truth.Charge); err != nil {
			t.Error(err)
		}
		if over := s.Charge.CountedCoulombs - s.PlannedTarget; over < 0 || over > 3*3*5 {
			t.Errorf("switched off %.1f C after the target; a poll and an exchange are worth about 15 C", over)
		}
		report, err := runlog.ReplayFile(s.Run)
		if err != nil {
			t.Fatal(err)
		}
		if !report.Sound() || report.Totals.Charge != s.Charge.CountedCoulombs || report.Totals.Energy != s.Charge.EnergyJoules ||
			report.Totals.StandardUncertainty != s.Charge.UncertaintyCoulombs {
			t.Errorf("replay gives %v C ± %v, live was %v C ± %v; sound: %v", report.Totals.Charge, report.Totals.StandardUncertainty,
				s.Charge.CountedCoulombs, s.Charge.UncertaintyCoulombs, report.Sound())
		}
		if got := b.Sent(); len(got) != 1 || got[0] != "OUTP OFF" {
			t.Errorf("commands sent in the whole night: %q, want one OUTP OFF", got)
		}
	})
}

// TestWatchOnlyTouchesNothing shows that without permission nothing is ever sent, target or not.
func TestWatchOnlyTouchesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `charge = "3 A h"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Hour, "the target is told", func(s *snapshot.Cell) bool {
			return s.Charge.TargetReached && stands(alerts.TargetReached)(s)
		})
		for _, order := range []func() error{
			func() error { return c.SwitchOff(t.Context(), "") },
			func() error { _, err := c.Hold(t.Context(), ""); return err },
		} {
			if err := order(); err == nil || !strings.Contains(err.Error(), "does not permit") {
				t.Errorf("an order without permission gave %v", err)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if got := b.Sent(); len(got) != 0 {
			t.Errorf("sent %q without permission", got)
		}
		if !b.Instrument.Truth(1).Output {
			t.Error("the output went off")
		}
	})
}

// TestRunGoesOnAfterAStop stops the watch in the middle, lets an hour pass, and
// shows that the run goes on with the dark hour booked as a range that holds the truth.
func TestRunGoesOnAfterAStop(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		first := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, first)
		<-time.After(2 * time.Hour)
		before := first.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Hour)
		second := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		second.m.Boot = func() (string, time.Duration, bool) { return "", 0, false } // only the wall clock tells
		stop = watchtest.Start(t, second)
		<-time.After(time.Hour)
		after := second.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if after.Run != before.Run {
			t.Fatalf("a new run %s began beside %s", after.Run, before.Run)
		}
		if after.Charge.Gaps != 1 || after.Charge.GapSeconds < 3590 || after.Charge.GapSeconds > 3620 {
			t.Errorf("%d gaps of %.0f s, want one of an hour", after.Charge.Gaps, after.Charge.GapSeconds)
		}
		if lo, hi := after.Charge.GapLowCoulombs, after.Charge.GapHighCoulombs; lo != 0 || hi < 3*3590 {
			t.Errorf("the dark hour is booked as %.0f to %.0f C; 0 to at least 3 A × 1 h is possible", lo, hi)
		}
		if err := within2u(after, b.Instrument.Truth(1).Charge); err != nil {
			t.Error(err)
		}
		if diff := after.Bath.DepositGrams/before.Bath.DepositGrams - after.Charge.CountedCoulombs/before.Charge.CountedCoulombs; diff > 0.001 || diff < -0.001 {
			t.Errorf("the deposit did not follow the charge over the dark hour: %.4f g of %.4f C, then %.4f g of %.4f C",
				before.Bath.DepositGrams, before.Charge.CountedCoulombs, after.Bath.DepositGrams, after.Charge.CountedCoulombs)
		}
		report, err := runlog.ReplayFile(after.Run)
		if err != nil || !report.Sound() {
			t.Errorf("replay: %+v, %v", report, err)
		}
	})
}

// TestAlarmsSurviveARestart shows that an acknowledged alarm is still acknowledged afterwards.
func TestAlarmsSurviveARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		const low = `[cell.zinc-1.alarm.over-current]` + "\npriority = \"high\"\n"
		first := zincCell(t, b, dir, "", `recover = "68 %"`, low)
		first.settings.Limits.Amperes = 2.5 // the 3 A of the supply are too much
		stop := watchtest.Start(t, first)
		untilShown(t, first, time.Hour, "over-current", stands(alerts.OverCurrent))
		if err := first.ChangeAlarm(t.Context(), control.AlarmOrder{Act: control.Acknowledge, Cell: "zinc-1", Condition: "over-current", By: "night shift"}); err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		second := zincCell(t, b, dir, "", `recover = "68 %"`, low)
		second.settings.Limits.Amperes = 2.5
		stop = watchtest.Start(t, second)
		<-time.After(time.Minute)
		a, ok := watchtest.Standing(second.Latest(), alerts.OverCurrent)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if !ok || a.State != alerts.ACKED || a.By != "night shift" {
			t.Errorf("after the restart the alarm is %+v, want acknowledged by the night shift", a)
		}
	})
}

// TestADeadSupplyNeverSlowsAnother runs a good cell beside one whose port hangs.
func TestADeadSupplyNeverSlowsAnother(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		clock := drivers.NewClock(1)
		good, dead := watchtest.New(t, clock, watchtest.Live), watchtest.New(t, clock, watchtest.Live)
		dead.Stuck = true
		a := zincCell(t, good, t.TempDir(), "", `recover = "68 %"`, "")
		z := zincCell(t, dead, t.TempDir(), "", `recover = "68 %"`, "")
		stopA, stopZ := watchtest.Start(t, a), watchtest.Start(t, z)
		<-time.After(time.Hour)
		if got := a.Latest().Poll.Good; got < 719 {
			t.Errorf("%d polls in an hour at 5 s, beside a dead supply", got)
		}
		if late := a.Latest().Poll.LateSeconds; late > 0.001 {
			t.Errorf("polls are %.4f s late", late)
		}
		if z.Latest().Link.Up {
			t.Error("the dead supply counts as up")
		}
		if err := stopA(); err != nil {
			t.Error(err)
		}
		if err := stopZ(); err != nil {
			t.Error(err)
		}
	})
}

// TestUnplugAndReplug loses the port for ten minutes and comes back by itself.
func TestUnplugAndReplug(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour)
		b.Change(func() { b.Gone = true })
		<-time.After(10 * time.Minute)
		if a, ok := watchtest.Standing(c.Latest(), alerts.SupplySilent); !ok || a.State != alerts.UNACK {
			t.Errorf("ten silent minutes gave %+v, want supply-silent unacknowledged", a)
		}
		b.Change(func() { b.Gone = false })
		<-time.After(10 * time.Minute)
		s := c.Latest()
		if !s.Link.Up || s.Link.Reconnects != 2 || s.Charge.Gaps != 1 {
			t.Errorf("up %v, opened %d times, %d gaps", s.Link.Up, s.Link.Reconnects, s.Charge.Gaps)
		}
		if err := within2u(s, b.Instrument.Truth(1).Charge); err != nil {
			t.Error(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestOffThatFailsIsTriedAgainAndTold lets the supply swallow the command.
func TestOffThatFailsIsTriedAgainAndTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		b.Deaf = true
		c := zincCell(t, b, t.TempDir(), `may = ["off"]`+"\n"+`at_target = "off"`, `charge = "3 A h"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Hour, "off-failed is told", stands(alerts.OffFailed))
		s := c.Latest()
		if a, _ := watchtest.Standing(s, alerts.OffFailed); a.Priority != alerts.Highest {
			t.Errorf("an output that stays on has priority %s", a.Priority)
		}
		if s.Ended || s.OffVerified {
			t.Error("the run counts as ended while current flows")
		}
		if s.Link.Reconnects < handsAttempts {
			t.Errorf("the port was opened %d times, want a fresh one for each of the %d attempts", s.Link.Reconnects, handsAttempts)
		}
		b.Change(func() { b.Deaf = false })
		untilShown(t, c, 5*time.Minute, "the run ends", hasEnded)
		if s := c.Latest(); !s.OffVerified {
			t.Error("off is not verified although the supply obeyed at last")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestWhatHappensToALiveOutputOnStop tries each choice.
func TestWhatHappensToALiveOutputOnStop(t *testing.T) {
	for _, tt := range []struct {
		name, lines string
		commands    []string
		on          bool
		amperes     float64
	}{
		{"leave", `on_stop = "leave"`, nil, true, 3},
		{"off", "may = [\"off\"]\non_stop = \"off\"", []string{"OUTP OFF"}, false, 0},
		{"hold", "may = [\"hold\"]\non_stop = \"hold\"\nhold_current = \"0.2 A\"", []string{"CURR 0.2000"}, true, 0.2},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
				c := zincCell(t, b, t.TempDir(), tt.lines, `recover = "68 %"`, "")
				stop := watchtest.Start(t, c)
				<-time.After(10 * time.Minute)
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				truth := b.Instrument.Truth(1)
				if truth.Output != tt.on || truth.Amperes < tt.amperes-0.05 || truth.Amperes > tt.amperes+0.05 {
					t.Errorf("output %v at %.3f A, want %v at %.1f A", truth.Output, truth.Amperes, tt.on, tt.amperes)
				}
				if got := b.Sent(); strings.Join(got, ";") != strings.Join(tt.commands, ";") {
					t.Errorf("sent %q, want %q", got, tt.commands)
				}
				if ended, err := runEnded(c); err != nil || ended {
					t.Errorf("run ended: %v, %v; it stays open for the next process", ended, err)
				}
			})
		})
	}
}

func runEnded(c *Cell) (bool, error) {
	_, ended, err := runlog.LatestRun(c.settings.DataDir, c.settings.Cell)
	return ended, err
}

// TestHoldNeverRaises asks for a hold above the present set-point.
func TestHoldNeverRaises(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), strings.Replace(watchtest.Live, `output = "on"`, "output = \"on\"\namperes = 0.1", 1))
		l := &link{may: allMay, open: opens(b)}
		if err := l.attach(t.Context(), 0); err != nil {
			t.Fatal(err)
		}
		if err := l.hold(context.Background(), b.Clock.Now, 0.5); err != nil {
			t.Fatal(err)
		}
		if got := b.Sent(); len(got) != 0 {
			t.Errorf("sent %q although the set-point is already below the hold current", got)
		}
	})
}

// TestAShortWinsNothing bridges the electrodes for an hour: the charge is counted, the
// deposit does not follow it, and the target moves away by as much.
func TestAShortWinsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+`
[[event]]
at = "2 h"
kind = "hard-short"
ohms = 0.02
lasts = "1 h"
`)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(4 * time.Hour)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		truth := b.Instrument.Truth(1)
		if err := within2u(s, truth.Charge); err != nil {
			t.Error(err)
		}
		if got := s.Charge.ShuntedCoulombs; got < 0.98*3*3600 || got > 1.02*3*3600 {
			t.Errorf("%.0f C are kept apart, an hour at 3 A was shorted", got)
		}
		if got := s.Bath.DepositGrams; got < 0.97*truth.DepositGrams || got > 1.05*truth.DepositGrams {
			t.Errorf("the deposit is estimated at %.2f g, there are %.2f g", got, truth.DepositGrams)
		}
		if moved := s.Charge.TargetCoulombs - s.PlannedTarget - s.Charge.ShuntedCoulombs; moved > 1 || moved < -1 {
			t.Errorf("the target moved by %.1f C besides what was shorted", moved)
		}
	})
}

// TestTheNextRunKnowsWhatTheSupplyReportsAtRest: a zero that was entered into the run before tells a dead output from a live one.
func TestTheNextRunKnowsWhatTheSupplyReportsAtRest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), `may = ["off"]`, `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		first := c.Latest().Run
		if _, err := entryOn(t, c, control.Entry{Kind: runlog.EntryZero, By: "ann", Numbers: map[string]float64{"amperes": 0.010, "standard_uncertainty": 0.001}}); err != nil {
			t.Fatal(err)
		}
		if err := c.SwitchOff(t.Context(), "ann"); err != nil {
			t.Fatal(err)
		}
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Minute)
		if s := c.Latest(); s.Waiting || s.Run == first || !s.Lift {
			t.Fatalf("no other run has begun, or zinc is not lifted first: %+v", s)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if got := c.run.AtRest(); got != 0.010 {
			t.Errorf("%g A are taken for none", got)
		}
	})
}
