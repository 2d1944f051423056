package daemon

import (
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestAnAbortStandsUntilItIsAnswered: switched off on a hard short at night, with nobody there. What to do with the
// deposit stands in list, page and reminders, over a restart too, until somebody acknowledges it.
func TestAnAbortStandsUntilItIsAnswered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, b, phone := t.TempDir(), watchtest.New(t, drivers.NewClock(1), watchtest.Short), &watchtest.LetterBox{}
		begin := func() (*Daemon, func()) {
			d := daemonOf(t, b, dir, `may = ["off"]`, "[cell.zinc-1.alarm.hard-short]\nthen = \"off\"\n")
			d.join(t, routes.Way{Route: phone, Repeat: 30 * time.Minute}).Start()
			stop := watchtest.Start(t, d.posts()[0].Cell)
			return d, func() {
				if err := stop(); err != nil {
					t.Error(err)
				}
				if err := d.stopBoxes(); err != nil {
					t.Error(err)
				}
			}
		}
		check := func(when string, c *watch.Cell) {
			s := c.Latest()
			a, stands := watchtest.Standing(s, alerts.OutputOff)
			if !s.Ended || !stands || a.State != alerts.UNACK || !strings.Contains(a.Action, "Take the cathode out") || !strings.Contains(a.Text, "on the cathode") {
				t.Errorf("%s: ended %v, alarms %+v", when, s.Ended, s.Alarms)
			}
			said := sentence.Of(s, s.At, time.UTC)
			if said.Standing != sentence.Act || strings.Contains(said.String(), "Nothing is wrong") ||
				!strings.Contains(said.String(), "ended before its target") || !strings.Contains(said.String(), "take the cathode out") {
				t.Errorf("%s the page says %q (%s)", when, said, said.Standing)
			}
		}
		d, stop := begin()
		<-time.After(90 * time.Minute)
		check("after the end", d.posts()[0].Cell)
		run, charge := d.posts()[0].Cell.Latest().Run, d.posts()[0].Cell.Latest().Charge.CountedCoulombs
		stop()
		d, stop = begin()
		<-time.After(time.Hour)
		check("after a restart", d.posts()[0].Cell)
		if s := d.posts()[0].Cell.Latest(); s.Run != run || s.Charge.CountedCoulombs != charge || !(s.Charge.TargetCoulombs > charge) {
			t.Errorf("after a restart %s with %g of %g C, before %s with %g C", s.Run, s.Charge.CountedCoulombs, s.Charge.TargetCoulombs, run, charge)
		}
		told := phone.Of(alerts.OutputOff)
		if !strings.HasPrefix(told, "alarm alarm alarm") {
			t.Errorf("told %q: an alarm and its reminders are due", told)
		}
		o := d.Operator()
		order := control.AlarmOrder{Act: control.Acknowledge, Cell: "zinc-1", By: "test", Condition: "output-off"}
		if err := o.ChangeAlarm(t.Context(), control.AlarmOrder{Act: control.Shelve, Cell: "zinc-1", By: "test", Condition: "output-off", Reason: "test", Seconds: 60}); err == nil || !strings.Contains(err.Error(), "can only be acknowledged") {
			t.Errorf("shelving it says %v", err)
		}
		if err := o.ChangeAlarm(t.Context(), order); err != nil {
			t.Fatal(err)
		}
		if s := d.posts()[0].Cell.Latest(); len(s.Alarms) != 0 {
			t.Errorf("acknowledged, and there stand %+v", s.Alarms)
		}
		if err := o.ChangeAlarm(t.Context(), order); err == nil {
			t.Error("acknowledged twice")
		}
		<-time.After(time.Hour)
		if again := phone.Of(alerts.OutputOff); again != told {
			t.Errorf("after the answer %q became %q", told, again)
		}
		stop()
		d, stop = begin()
		<-time.After(time.Minute)
		if s := d.posts()[0].Cell.Latest(); len(s.Alarms) != 0 {
			t.Errorf("acknowledged before a restart, and there stand %+v", s.Alarms)
		}
		stop()
		if report, err := runlog.ReplayFile(run); err != nil || !report.Sound() || !report.Ended || report.UncheckedBytes != 0 {
			t.Errorf("the log: %+v, %v", report, err)
		}
	})
}

// TestANewRunAnswersAnAbort: whoever begins again has seen the deposit.
func TestANewRunAnswersAnAbort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		phone := &watchtest.LetterBox{}
		d := daemonOf(t, b, t.TempDir(), `may = ["off"]`, "")
		d.join(t, routes.Way{Route: phone}).Start()
		c, o := d.posts()[0].Cell, d.Operator()
		stop := watchtest.Start(t, c)
		<-time.After(20 * time.Minute)
		if _, err := o.Off(t.Context(), control.CellOrder{Cell: "zinc-1", By: "test"}); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Minute)
		if a, stands := watchtest.Standing(c.Latest(), alerts.OutputOff); !stands || a.Priority != alerts.Medium || !strings.Contains(a.Text, "requested by test") {
			t.Errorf("by hand: %+v", c.Latest().Alarms)
		}
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Minute)
		if a, stands := watchtest.Standing(c.Latest(), alerts.OutputOff); stands || c.Latest().Ended {
			t.Errorf("in the new run: %+v", a)
		}
		if got := phone.Of(alerts.OutputOff); got != "alarm cleared" {
			t.Errorf("told %q", got)
		}
		if err := errors.Join(stop(), d.stopBoxes()); err != nil {
			t.Error(err)
		}
	})
}
