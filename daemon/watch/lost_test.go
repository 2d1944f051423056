package watch

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestALostLineIsAGapHoweverShort loses the line for one poll, far less than gap_after. A
// supply that loses its power loses its line, so the time between is a range and is told.
func TestALostLineIsAGapHoweverShort(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, script    string
		same, unchanged bool
		told            alerts.Condition
	}{
		{"found as it was left", "", true, true, alerts.LineLost},
		{"restarted, and on again by itself", "[[event]]\nat = \"1 h\"\nkind = \"mains-cut\"\nlasts = \"3 s\"\nback = \"last\"\n", true, true, alerts.LineLost},
		{"restarted with its power-on settings", "[[event]]\nat = \"1 h\"\nkind = \"mains-cut\"\nlasts = \"3 s\"\nback = \"reset\"\n", true, false, alerts.MainsInterruption},
		{"another instrument", "[[event]]\nat = \"1 h\"\nkind = \"swapped\"\nidentity = \"EXAMPLE,PS-30-5,2,1\"\n", false, true, alerts.LineLost},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+tt.script)
				c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
				c.settings.Count.GapAfter = time.Minute
				c.link.expected = "EXAMPLE"
				stop := watchtest.Start(t, c)
				<-time.After(time.Hour - time.Second)
				b.Change(func() { b.Gone = true })
				<-time.After(5 * time.Second)
				b.Change(func() { b.Gone = false })
				<-time.After(5 * time.Minute)
				s := c.Latest()
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				gaps, told := 0, false
				watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
					switch r.Kind {
					case runlog.KindGap:
						gaps++
						low, _ := r.Number("low")
						high, _ := r.Number("high")
						if !r.Flag("line_lost") || r.Flag("same") != tt.same || r.Flag("unchanged") != tt.unchanged || low != 0 || high < 3*9.9 {
							t.Errorf("gap %+v: from %.1f to %.1f C; want 0 to 3 A for 10 s", r, low, high)
						}
					case runlog.KindAlarm:
						told = told || r.Condition == tt.told.String()
					}
				})
				if gaps != 1 || !told {
					t.Errorf("%d gaps, want one; %v told: %v", gaps, tt.told, told)
				}
				if report, err := runlog.ReplayFile(s.Run); err != nil || !report.Sound() || report.Totals.Charge != s.Charge.CountedCoulombs {
					t.Errorf("replay: %+v, %v; live %v C", report, err, s.Charge.CountedCoulombs)
				}
			})
		})
	}
}

// TestNoAnswersAreAGapHoweverShort restarts a supply whose adapter stays up, as most do: only its
// silence tells. One missing answer alone is no evidence.
func TestNoAnswersAreAGapHoweverShort(t *testing.T) {
	t.Parallel()
	for lasts, want := range map[string]int{"2500 ms": 1, "500 ms": 0} {
		t.Run(lasts, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				script := "[[event]]\nat = \"599900 ms\"\nkind = \"mains-cut\"\nlasts = \"" + lasts + "\"\nback = \"last\"\n"
				b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+script)
				c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
				c.settings.Poll, c.settings.Count.GapAfter = time.Second, time.Minute
				stop := watchtest.Start(t, c)
				<-time.After(11 * time.Minute)
				s := c.Latest()
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				gaps, told := 0, 0
				watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
					switch {
					case r.Kind == runlog.KindGap && r.Flag("line_lost") && r.Flag("unchanged"):
						gaps++
					case r.Kind == runlog.KindAlarm && r.Condition == alerts.LineLost.String():
						told++
					}
				})
				if gaps != want || min(told, 1) != want || len(s.Refused) == 0 {
					t.Errorf("%d gaps, told %d times, refused %v; want %d", gaps, told, s.Refused, want)
				}
			})
		})
	}
}

// TestWhoTakesTheAnswersIsTold lets another process take the answers for a while: the alarm
// names it, the silence that comes of it does too, and it is over some time after the process has gone.
func TestWhoTakesTheAnswersIsTold(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		if _, stands := watchtest.Standing(c.Latest(), alerts.PortShared); stands {
			t.Error("told before anybody came")
		}
		b.Change(func() { b.Taken = "prober (process 4711)" })
		<-time.After(5 * time.Second)
		if a, stands := watchtest.Standing(c.Latest(), alerts.PortShared); !stands || !strings.Contains(a.Text, "prober (process 4711)") {
			t.Errorf("%v %q", stands, a.Text)
		}
		<-time.After(time.Minute)
		if a, stands := watchtest.Standing(c.Latest(), alerts.SupplySilent); !stands || !strings.Contains(a.Text, "the answers go to prober (process 4711)") {
			t.Errorf("silence: %v %q", stands, a.Text)
		}
		b.Change(func() { b.Taken = "" })
		<-time.After(11 * time.Minute)
		if a, stands := watchtest.Standing(c.Latest(), alerts.PortShared); stands && a.State == alerts.UNACK {
			t.Error("still told as standing, long after the process has gone")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
