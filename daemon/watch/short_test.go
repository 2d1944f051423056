package watch

import (
	"math"
	"os"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestEverythingAgreesThatAShortWinsNothing, while it stands and after it.
func TestEverythingAgreesThatAShortWinsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Short)
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour - time.Minute)
		before := c.Latest()
		<-time.After(31 * time.Minute)
		during := c.Latest()
		<-time.After(time.Hour)
		after := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if q := &before.Charge; math.IsInf(q.SecondsToTarget, 0) || math.Abs(q.CountedCoulombs-q.PlanCoulombs) > 200 || before.Bath.MarginalEfficiency < 0.8 {
			t.Fatalf("before the short: %+v, %+v", q, before.Bath)
		}
		if q := &during.Charge; !math.IsInf(q.SecondsToTarget, 1) || !q.FinishesAt.IsZero() {
			t.Errorf("in the short it finishes in %g s, at %v", q.SecondsToTarget, q.FinishesAt)
		}
		if said := sentence.Of(during, during.At, time.UTC).String(); !strings.Contains(said, "no metal is depositing; finish unknown") {
			t.Errorf("in the short: %s", said)
		}
		if k := &during.Bath; k.MarginalEfficiency != 0 || k.CurrentDensity != 0 || k.OfLimitingCurrent != 0 {
			t.Errorf("in the short: marginal efficiency %g, %g A/m2, %g of the limiting current", k.MarginalEfficiency, k.CurrentDensity, k.OfLimitingCurrent)
		}
		if q := &after.Charge; math.IsInf(q.SecondsToTarget, 0) || q.FinishesAt.IsZero() {
			t.Errorf("after the short it finishes in %g s, at %v", q.SecondsToTarget, q.FinishesAt)
		}
		for name, s := range map[string]*snapshot.Cell{"during": during, "after": after} {
			q, k := &s.Charge, &s.Bath
			if off := k.OverallEfficiency*q.TheoreticalGrams - k.DepositGrams; math.Abs(off) > 1e-9 {
				t.Errorf("%s: efficiency %g of %g g is not the deposit of %g g", name, k.OverallEfficiency, q.TheoreticalGrams, k.DepositGrams)
			}
			if behind := q.PlanCoulombs - q.CountedCoulombs; q.ShuntedCoulombs < 1000 || math.Abs(behind-q.ShuntedCoulombs) > 300 {
				t.Errorf("%s: %.0f C behind the plan, %.0f C won nothing", name, behind, q.ShuntedCoulombs)
			}
		}
		if grown := after.Bath.HydrogenLitres - before.Bath.HydrogenLitres; grown > 0.1 {
			t.Errorf("%.3f L of hydrogen more, of half an hour beside the short", grown)
		}
		if _, late := watchtest.Standing(after, alerts.ChargeBehind); !late {
			t.Error("after the short nothing says that the charge is behind the plan")
		}
	})
}

// TestAShortThatTheWatchDiedInWinsNothing: what was counted behind the last checkpoint passed through the short too.
func TestAShortThatTheWatchDiedInWinsNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, left := t.TempDir(), t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Short)
		stop := watchtest.Start(t, zincCell(t, b, dir, "", `recover = "68 %"`, ""))
		<-time.After(time.Hour + 24*time.Minute)
		if err := os.CopyFS(left, os.DirFS(dir)); err != nil { // what a kill leaves behind
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		c := zincCell(t, b, left, "", `recover = "68 %"`, "")
		stop = watchtest.Start(t, c)
		<-time.After(10 * time.Second)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if won := s.Charge.CountedCoulombs - s.Charge.ShuntedCoulombs; math.Abs(won-3*3600) > 150 {
			t.Errorf("%.0f C count as won, one hour at 3 A was", won)
		}
	})
}

// TestNoWhiskerBeneathAShort: three ticks in the evening, over and unanswered, and a hard short in the night.
func TestNoWhiskerBeneathAShort(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const ticks = "[[event]]\nat = \"3 h\"\nkind = \"whisker\"\nohms = 3.0\ninterval = \"1 min\"\nlength = \"6 s\"\nlasts = \"20 min\"\n"
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+ticks+"[[event]]\nat = \"6 h\"\nkind = \"hard-short\"\nohms = 0.03\n")
		c := zincCell(t, b, t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(7 * time.Hour)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		var got []string
		watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
			if name := r.Condition; r.Kind == runlog.KindAlarm && (name == alerts.Whisker.String() || name == alerts.HardShort.String()) {
				got = append(got, name+" "+r.Text("state"))
			}
		})
		if want := "whisker UNACK, whisker RTNUN, hard-short UNACK"; strings.Join(got, ", ") != want {
			t.Errorf("told %v, want %s", got, want)
		}
	})
}
