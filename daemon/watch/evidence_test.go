package watch

import (
	"context"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestWhatAGapIsBookedBy lets ten minutes pass unseen in different ways and looks at
// the evidence in the log and at what is booked.
func TestWhatAGapIsBookedBy(t *testing.T) {
	t.Parallel()
	const dark = "[[event]]\nat = \"1 h\"\nkind = \"silence\"\nlasts = \"10 min\"\n"
	const whole = 3 * 600 // C, the set-point for ten minutes
	for _, tt := range []struct {
		name, script string
		meddle       func(t *testing.T, b *watchtest.Bench, c *Cell) // at half past the hour of the dark
		untouched    bool
		on           [2]bool
		high         float64 // C
		kind         string
		switched     bool // a switch of the current was missed
	}{
		{name: "as it was left", script: dark, untouched: true, on: [2]bool{true, true}, high: whole, kind: "late"},
		{name: "found off", script: dark + "[[event]]\nat = \"1 h 5 min\"\nkind = \"panel\"\noutput = \"off\"\n", on: [2]bool{true, false}, untouched: true, high: whole, kind: "late", switched: true},
		{name: "found off after a few missing answers", script: "[[event]]\nat = \"1 h\"\nkind = \"silence\"\nlasts = \"14 s\"\n[[event]]\nat = \"1 h 5 s\"\nkind = \"panel\"\noutput = \"off\"\n",
			on: [2]bool{true, false}, untouched: true, high: 3 * 15, kind: "late", switched: true},
		{name: "another current", script: dark + "[[event]]\nat = \"1 h 5 min\"\nkind = \"panel\"\namperes = 2.0\n", on: [2]bool{true, true}, high: whole, kind: "late", switched: true},
		{name: "a larger current", script: dark + "[[event]]\nat = \"1 h 5 min\"\nkind = \"panel\"\namperes = 3.2\n", on: [2]bool{true, true}, high: 3.2 * 600, kind: "late"},
		{name: "other volts only", script: dark + "[[event]]\nat = \"1 h 5 min\"\nkind = \"panel\"\nvolts = 6.4\n", on: [2]bool{true, true}, high: whole, kind: "late"},
		{name: "nobody tells the state", script: dark, meddle: func(_ *testing.T, b *watchtest.Bench, _ *Cell) { b.Change(func() { b.Blind = true }) }, on: [2]bool{true, true}, high: whole, kind: "late"},
		{name: "the line was lost", meddle: func(_ *testing.T, b *watchtest.Bench, _ *Cell) {
			b.Change(func() { b.Gone = true })
			<-time.After(10 * time.Minute)
			b.Change(func() { b.Gone = false })
		}, untouched: true, on: [2]bool{true, true}, high: whole, kind: "silent"},
		{name: "asleep", meddle: func(t *testing.T, _ *watchtest.Bench, c *Cell) {
			boot := c.m.Boot
			asleep(t, c, func() (string, time.Duration, bool) { id, since, _ := boot(); return id, since + 10*time.Minute, true })
		}, untouched: true, on: [2]bool{true, true}, high: whole, kind: "suspend"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+tt.script)
				c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
				began := time.Now()
				c.m.Boot = func() (string, time.Duration, bool) { return "a", time.Since(began) + time.Hour, true }
				stop := watchtest.Start(t, c)
				<-time.After(time.Hour + 2*time.Minute)
				if tt.meddle != nil {
					tt.meddle(t, b, c)
				}
				<-time.After(20*time.Minute + 2*time.Second)
				s := c.Latest()
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				gaps := 0
				watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
					if r.Kind != runlog.KindGap {
						return
					}
					gaps++
					if got := r.Flag("unchanged") && r.Flag("same"); got != tt.untouched {
						t.Errorf("untouched: %v, want %v", got, tt.untouched)
					}
					if on := [2]bool{r.Flag("on_before"), r.Flag("on_after")}; on != tt.on {
						t.Errorf("on before and after: %v, want %v", on, tt.on)
					}
					if high, _ := r.Number("high"); high < tt.high || high > tt.high*1.03+40 {
						t.Errorf("up to %.0f C are possible, want about %.0f C", high, tt.high)
					}
					if slept, switched := r.Flag("suspended"), r.Flag("switched"); slept != (tt.kind == "suspend") || switched != tt.switched {
						t.Errorf("suspended: %v, switched: %v", slept, switched)
					}
					if r.Text("kind") != tt.kind {
						t.Errorf("kind %q, want %q", r.Text("kind"), tt.kind)
					}
				})
				if gaps != 1 {
					t.Errorf("%d gaps, want one", gaps)
				}
				if report, err := runlog.ReplayFile(s.Run); err != nil || !report.Sound() || report.Totals.Charge != s.Charge.CountedCoulombs {
					t.Errorf("replay: %+v, %v; live %v C", report, err, s.Charge.CountedCoulombs)
				}
			})
		})
	}
}

// asleep puts the machine to sleep between two polls.
func asleep(t *testing.T, c *Cell, boot func() (string, time.Duration, bool)) {
	t.Helper()
	if err := c.ask(t.Context(), func(context.Context) error { c.m.Boot = boot; return nil }); err != nil {
		t.Error(err)
	}
}

// TestAnotherInstrumentIsRemembered changes the instrument, and loses the line once
// more before its first reading: the gap still says that another one answers.
func TestAnotherInstrumentIsRemembered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), strings.Replace(watchtest.Live, "[supply]", "[supply]\nidentity = \"EXAMPLE,PS-30-5,1,1\"", 1)+
			"[[event]]\nat = \"1 h\"\nkind = \"swapped\"\nidentity = \"EXAMPLE,PS-30-5,2,1\"\n")
		l := &link{open: opens(b), expected: "EXAMPLE,PS-30-5"}
		attach := func() {
			if err := l.attach(t.Context(), 0); err != nil {
				t.Fatal(err)
			}
		}
		attach()
		if l.Swapped {
			t.Error("the first instrument counts as another one")
		}
		l.drop(0, drivers.ErrGone)
		<-time.After(2 * time.Hour)
		attach()
		l.drop(0, drivers.ErrGone)
		attach()
		if !l.Swapped {
			t.Error("the exchange is forgotten because the line was lost twice")
		}
	})
}

// TestAGarbledSetPointIsNotKept loses the point of "3.0000": the supply cannot do 30000 A.
func TestAGarbledSetPointIsNotKept(t *testing.T) {
	l := link{mostVolts: 32, mostAmperes: 5}
	st := drivers.Status{SetVolts: 6, SetAmperes: 30000}
	l.keepStatus(st)
	if l.Status.SetVolts != 6 || !math.IsNaN(float64(l.Status.SetAmperes)) {
		t.Errorf("kept %v V and %v A", l.Status.SetVolts, l.Status.SetAmperes)
	}
	st = drivers.Status{SetVolts: 60000, SetAmperes: 3}
	l.keepStatus(st)
	if l.Status.SetAmperes != 3 || !math.IsNaN(float64(l.Status.SetVolts)) {
		t.Errorf("kept %v V and %v A", l.Status.SetVolts, l.Status.SetAmperes)
	}
}

// TestSetPointsAreThoseOfTheBegin attaches before a person sets the supply, as one
// does in the evening, and shows that nobody is called for it.
func TestSetPointsAreThoseOfTheBegin(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), "name = \"evening\"\n[supply]\noutput = \"off\"\namperes = 0.5\nvolts = 1.0\n"+
			"[[event]]\nat = \"20 min\"\nkind = \"panel\"\namperes = 3.0\nvolts = 6.0\n[[event]]\nat = \"25 min\"\nkind = \"panel\"\noutput = \"on\"\n")
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(40 * time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if s.Run == "" {
			t.Fatal("no run has begun")
		}
		if a, ok := watchtest.Standing(s, alerts.SetPointsChanged); ok {
			t.Errorf("the set-points of the evening are an alarm: %s", a.Text)
		}
		watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
			if set, ok := r.Number("set_amperes"); ok && set != 3 {
				t.Errorf("the log says that the run began with a set-point of %v A", set)
			}
		})
	})
}

// TestAMainsInterruptionIsOverWhenMended brings the supply back with power-on values,
// and then as it was: the alarm does not stand for ever.
func TestAMainsInterruptionIsOverWhenMended(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour)
		b.Change(func() { b.Gone = true })
		b.Instrument.Handle([]byte("OUTP OFF;CURR 0.1;VOLT 1\n"))
		<-time.After(5 * time.Minute)
		b.Change(func() { b.Gone = false })
		<-time.After(5 * time.Minute)
		if a, ok := watchtest.Standing(c.Latest(), alerts.MainsInterruption); !ok || a.State != alerts.UNACK {
			t.Errorf("power-on values after a silence give %+v", a)
		}
		if got := b.Sent(); len(got) != 0 {
			t.Errorf("sent %q after an interruption", got)
		}
		b.Instrument.Handle([]byte("CURR 3;VOLT 6;OUTP ON\n"))
		<-time.After(5 * time.Minute)
		if a, ok := watchtest.Standing(c.Latest(), alerts.MainsInterruption); ok && a.State == alerts.UNACK {
			t.Errorf("the alarm stands although all is fixed: %+v", a)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestTheDarkBeginsWithTheLastReading kills the machine after ten silent minutes: the
// gap is as long as nothing was read, not only as long as nothing was written.
func TestTheDarkBeginsWithTheLastReading(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		first := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, first)
		<-time.After(time.Hour)
		b.Change(func() { b.Gone = true })
		<-time.After(10 * time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		b.Change(func() { b.Gone = false })
		<-time.After(10 * time.Minute)
		second := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		second.m.Boot = func() (string, time.Duration, bool) { return "another", time.Minute, true }
		stop = watchtest.Start(t, second)
		<-time.After(time.Minute)
		s := second.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if s.Charge.GapSeconds < 1195 || s.Charge.GapSeconds > 1215 {
			t.Errorf("the gap is %.0f s long, nobody read for twenty minutes", s.Charge.GapSeconds)
		}
		if err := within2u(s, b.Instrument.Truth(1).Charge); err != nil {
			t.Error(err)
		}
	})
}

// TestNoticesOfOneMomentDiffer writes two notices of one moment, as two alarms of one
// reading do: their keys differ, so that no receiver takes one for a repetition of the other.
func TestNoticesOfOneMomentDiffer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		if err := c.ask(t.Context(), func(context.Context) error {
			utc := c.m.UTC()
			c.run.Notice(utc, routes.Notice{Kind: routes.Alarm, Subject: "one"})
			c.run.Notice(utc, routes.Notice{Kind: routes.Alarm, Subject: "another"})
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		run := c.Latest().Run
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		ids := map[string]bool{}
		watchtest.EachRecord(t, run, func(r *runlog.Record) {
			if r.Kind == runlog.KindNotice {
				ids[r.Text("id")] = true
			}
		})
		if len(ids) != 3 { // one of them is of the stop
			t.Errorf("two notices have the keys %v", ids)
		}
	})
}
