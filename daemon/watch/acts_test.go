package watch

import (
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

const offAtTarget = `may = ["off"]` + "\n" + `at_target = "off"`

// TestAFailedOffIsNotForgottenByARestart stops the watch while an output that was to
// be off stays on: the next process takes the matter up at once.
func TestAFailedOffIsNotForgottenByARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		b.Deaf = true
		first := zincCell(t, b, dir, offAtTarget, `charge = "3 A h"`, "")
		stop := watchtest.Start(t, first)
		untilShown(t, first, 2*time.Hour, "off-failed is told", stands(alerts.OffFailed))
		<-time.After(15 * time.Second)
		if err := stop(); err == nil || !strings.Contains(err.Error(), "may still be on") {
			t.Errorf("stopping with an output that stays on gives %v", err)
		}
		second := zincCell(t, b, dir, offAtTarget, `charge = "3 A h"`, "")
		stop = watchtest.Start(t, second)
		<-time.After(20 * time.Second)
		if a, ok := watchtest.Standing(second.Latest(), alerts.OffFailed); !ok || a.State != alerts.UNACK {
			t.Errorf("after the restart off-failed is %+v (standing %v)", a, ok)
		}
		b.Change(func() { b.Deaf = false })
		untilShown(t, second, 2*time.Minute, "the run ends", hasEnded)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if b.Instrument.Truth(1).Output {
			t.Error("the output is still on")
		}
	})
}

// TestAnOffInProgressIsFinishedWhenTheWatchStops tells the watch to stop while the
// command to switch off is on the wire.
func TestAnOffInProgressIsFinishedWhenTheWatchStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), offAtTarget, `charge = "3 A h"`, "")
		ordered := make(chan struct{})
		b.OnCommand = func() { close(ordered) }
		stop := watchtest.Start(t, c)
		<-ordered
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if ended, err := runEnded(c); err != nil || !ended {
			t.Errorf("the run has ended: %v, %v", ended, err)
		}
		if b.Instrument.Truth(1).Output || len(b.Sent()) != 1 {
			t.Errorf("sent %q, output on: %v", b.Sent(), b.Instrument.Truth(1).Output)
		}
	})
}

// TestTheReadingThatProvesTheOffIsCounted makes the supply swallow the first
// commands: the charge of the time until it obeys is in the books.
func TestTheReadingThatProvesTheOffIsCounted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), offAtTarget, `charge = "3 A h"`, "")
		b.Ignore = 3 // the fourth attempt is obeyed, some five seconds late
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Hour, "the run ends", hasEnded)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		truth := b.Instrument.Truth(1).Charge
		if late := truth - 3*3600; late < 10 {
			t.Fatalf("the test shows nothing: only %.1f C passed after the target", late)
		}
		if diff := s.Charge.CountedCoulombs - truth; diff < -9 || diff > 9 { // half of what 3 A move in a step of five seconds
			t.Errorf("counted %.1f C, truly %.1f C", s.Charge.CountedCoulombs, truth)
		}
		last := lastReading(t, s.Run)
		if last.Amperes > 0.1 || last.Output != "off" {
			t.Errorf("the log's last reading is %.3f A, output %s", last.Amperes, last.Output)
		}
	})
}

func lastReading(t *testing.T, run string) runlog.Record {
	t.Helper()
	var last runlog.Record
	watchtest.EachRecord(t, run, func(r *runlog.Record) {
		if r.Kind == runlog.KindReading {
			last = *r
		}
	})
	return last
}

// TestAHoldThatFailsIsTriedAgain lets the supply swallow the first commands to lower the current.
func TestAHoldThatFailsIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		b.Deaf = true
		c := zincCell(t, b, t.TempDir(), "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\"", `charge = "3 A h"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Hour, "the target", func(s *snapshot.Cell) bool { return s.Charge.TargetReached })
		<-time.After(5 * time.Minute)
		b.Change(func() { b.Deaf = false })
		<-time.After(2 * time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if got := b.Instrument.Truth(1).Amperes; got > 0.21 {
			t.Errorf("%.3f A still flow after the supply obeys again", got)
		}
		failed := 0
		watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
			if r.Kind == runlog.KindNotice && strings.HasSuffix(r.Text("subject"), "failed") {
				failed++
			}
		})
		if failed != 1 {
			t.Errorf("the failure was told %d times", failed)
		}
	})
}

// TestAHoldThatFailsIsTriedAgainAfterAKill kills the watch right after the first failure: the next process does not take the hold for done.
func TestAHoldThatFailsIsTriedAgainAfterAKill(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		b.Deaf = true
		const hold = "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\""
		c := zincCell(t, b, dir, hold, `charge = "3 A h"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, 2*time.Hour, "the target", func(s *snapshot.Cell) bool { return s.Charge.TargetReached })
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		failed, told := false, false
		cutBehind(t, c.Latest().Run, func(r *runlog.Record) bool { // the checkpoint behind the first failure
			failed = failed || r.Kind == runlog.KindOutput && r.Text("outcome") == "failed"
			first := failed && !told && r.Kind == runlog.KindCheckpoint
			told = told || first
			return first
		})
		b.Change(func() { b.Deaf = false })
		c = zincCell(t, b, dir, hold, `charge = "3 A h"`, "")
		stop = watchtest.Start(t, c)
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if got := b.Instrument.Truth(1).Amperes; got > 0.21 {
			t.Errorf("%.3f A still flow", got)
		}
	})
}

// TestAReactionThatWasRefusedIsDoneOnceItCanBe: a set-point that is garbled when the reaction falls due puts the hold off until it is
// told, and that is written once.
func TestAReactionThatWasRefusedIsDoneOnceItCanBe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"10 min\"\nkind = \"panel\"\namperes = 3.6\n")
		b.Tell = func(s *drivers.Status) { s.SetAmperes = drivers.Amperes(math.NaN()) }
		c := zincCell(t, b, t.TempDir(), "may = [\"hold\"]\nhold_current = \"0.2 A\"", `recover = "68 %"`,
			"[cell.zinc-1.alarm.over-current]\nthen = \"hold\"\n")
		stop := watchtest.Start(t, c)
		<-time.After(15 * time.Minute)
		b.Change(func() { b.Tell = nil })
		<-time.After(2 * time.Minute)
		if got := b.Instrument.Truth(1).Amperes; got > 0.21 {
			t.Errorf("%.3f A flow, over-current was to be answered by hold", got)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		refused := 0
		watchtest.EachRecord(t, c.Latest().Run, func(r *runlog.Record) {
			if r.Kind == runlog.KindOutput && r.Text("outcome") == "refused" {
				refused++
			}
		})
		if refused != 1 {
			t.Errorf("refused %d times in the log", refused)
		}
	})
}

// TestAReactionHappensAtEveryOccurrence raises the current a second time after the
// watch has lowered it once.
func TestAReactionHappensAtEveryOccurrence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+`
[[event]]
at = "10 min"
kind = "panel"
amperes = 3.6
[[event]]
at = "30 min"
kind = "panel"
amperes = 3.6
`)
		c := zincCell(t, b, t.TempDir(), "may = [\"hold\"]\nhold_current = \"0.2 A\"", `recover = "68 %"`,
			"[cell.zinc-1.alarm.over-current]\nthen = \"hold\"\n")
		stop := watchtest.Start(t, c)
		began := time.Now()
		for _, at := range []time.Duration{20 * time.Minute, 20 * time.Minute} {
			<-time.After(at)
			if got := b.Instrument.Truth(1).Amperes; got > 0.21 {
				t.Errorf("after %v %.3f A flow, over-current was to be answered by hold; sent %q; %+v", time.Since(began), got, b.Sent(), c.Latest().Alarms)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestSwitchedOffOnStopIsKnownToTheNextProcess shows that an output that nightcell
// left off is no alarm afterwards, and that the dark time is booked as dead.
func TestSwitchedOffOnStopIsKnownToTheNextProcess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		const lines = "may = [\"off\"]\non_stop = \"off\""
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		first := zincCell(t, b, dir, lines, `recover = "68 %"`, "")
		stop := watchtest.Start(t, first)
		<-time.After(time.Hour + 2*time.Second)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Hour)
		second := zincCell(t, b, dir, lines, `recover = "68 %"`, "")
		second.m.Boot = func() (string, time.Duration, bool) { return "", 0, false }
		stop = watchtest.Start(t, second)
		<-time.After(5 * time.Minute)
		s := second.Latest()
		for _, a := range s.Alarms {
			if a.State == alerts.UNACK {
				t.Errorf("%s is raised for an output that nightcell left off: %s", a.Condition, a.Text)
			}
		}
		if s.Ended || s.Charge.Gaps != 1 {
			t.Errorf("ended %v, %d gaps", s.Ended, s.Charge.Gaps)
		}
		if best := s.Charge.CountedCoulombs - s.Charge.ObservedCoulombs; best > 40 || best < -40 { // an offset of some mA for an hour
			t.Errorf("%.1f C are booked for an hour with the output off", best)
		}
		if err := within2u(s, b.Instrument.Truth(1).Charge); err != nil {
			t.Error(err)
		}
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Minute)
		if s := second.Latest(); s.Ended || s.Run != first.Latest().Run || s.Reading.Amperes < 2.9 {
			t.Errorf("the run does not go on when a person switches on again: %+v", s.Reading)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestHoldWithoutAFigureIsRefused keeps a hold current that is not known from counting as reached.
func TestHoldWithoutAFigureIsRefused(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		l := &link{may: allMay, open: opens(b)}
		if err := l.hold(t.Context(), b.Clock.Now, drivers.Amperes(math.NaN())); err == nil {
			t.Error("a hold at an unknown current counts as done")
		}
	})
}

// TestTheOutputHasAMomentToDie gives the output half a second to discharge: the off is verified at the first attempt.
func TestTheOutputHasAMomentToDie(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		l := &link{may: allMay, open: opens(b)}
		began := time.Now()
		dead := func(drivers.Amperes) bool { return time.Since(began) > 500*time.Millisecond }
		if err := l.switchOff(t.Context(), b.Clock.Now, dead); err != nil {
			t.Fatal(err)
		}
		if got := b.Sent(); len(got) != 1 {
			t.Errorf("sent %q", got)
		}
	})
}

// TestAnOutputThatTellsNothingEndsItsRun ends a run at the target by the missing
// current alone, on a supply that cannot be asked for its output state.
func TestAnOutputThatTellsNothingEndsItsRun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"2 h\"\nkind = \"panel\"\noutput = \"off\"\n")
		b.Mute = true
		c := zincCell(t, b, t.TempDir(), "", `charge = "3 A h"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(2*time.Hour + 30*time.Second)
		if c.Latest().Ended {
			t.Error("the run has ended before a pause was over")
		}
		<-time.After(time.Minute)
		if s := c.Latest(); !s.Ended || !strings.HasPrefix(s.EndedWhy, "target reached") {
			t.Errorf("ended %v: %s", s.Ended, s.EndedWhy)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
