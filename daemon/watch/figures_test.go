package watch

import (
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestARaisedTargetIsPlannedAnew: the current runs under the plan, an addition raises the target, and the charge that
// reaches it is not ahead of any plan.
func TestARaisedTargetIsPlannedAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"1 min\"\nkind = \"panel\"\namperes = 2.9\n")
		c := zincCell(t, b, t.TempDir(), "", `recover = "10 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(30 * time.Minute)
		if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: "addition", By: "test",
			Numbers: map[string]float64{"mass_kilograms": 0.1}, Words: map[string]string{"formula": "ZnSO4·7H2O"}}); err != nil {
			t.Fatal(err)
		}
		raised := c.Latest().Charge
		untilShown(t, c, 5*time.Hour, "the target", func(s *snapshot.Cell) bool { return s.Charge.TargetReached })
		<-time.After(5 * time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if raised.TargetCoulombs < 1.3*s.PlannedTarget {
			t.Fatalf("the target was raised from %.0f to %.0f C", s.PlannedTarget, raised.TargetCoulombs)
		}
		watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
			if r.Kind == runlog.KindAlarm && r.Condition == alerts.ChargeAhead.String() && r.Text("state") == alerts.UNACK.String() {
				t.Errorf("%s: %s", r.Condition, r.Text("text"))
			}
		})
		if at := s.Charge; at.PlanCoulombs < 0.99*at.TargetCoulombs {
			t.Errorf("the plan ends at %.0f C, the target lies at %.0f C", at.PlanCoulombs, at.TargetCoulombs)
		}
	})
}

// TestANoticeCarriesTheFiguresOfItsText, in its JSON too: the target as it lies now, what was judged and the limit.
func TestANoticeCarriesTheFiguresOfItsText(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"30 min\"\nkind = \"panel\"\namperes = 3.5\n"+
			"[[event]]\nat = \"35 min\"\nkind = \"panel\"\namperes = 3.0\n")
		c, _, phone := toldBy(t, b)
		stop := watchtest.Start(t, c)
		<-time.After(20 * time.Minute)
		planned := c.Latest().PlannedTarget
		if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: "addition", By: "test",
			Numbers: map[string]float64{"mass_kilograms": 0.05}, Words: map[string]string{"formula": "ZnSO4·7H2O"}}); err != nil {
			t.Fatal(err)
		}
		<-time.After(20 * time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		at := slices.IndexFunc(phone.Got(), func(n routes.Notice) bool { return n.Condition == alerts.OverCurrent.String() })
		if at < 0 {
			t.Fatal("nobody heard of the current")
		}
		n := phone.Got()[at]
		if !strings.Contains(n.Text, "3.5") || !strings.Contains(n.Text, "limit of 3.3 A") {
			t.Fatalf("said %q", n.Text)
		}
		for name, want := range map[string]float64{
			"found_amperes": n.Values["reading_amperes"], "limit_amperes": 3.3, "target_charge_coulombs": s.Charge.TargetCoulombs,
			"deposit_kilograms": s.Bath.DepositGrams / 1e3 * n.Values["charge_coulombs"] / s.Charge.CountedCoulombs,
		} {
			if got, ok := n.Values[name]; !ok || math.Abs(got-want) > 0.02*want {
				t.Errorf("%s is %g (%v), want about %g", name, got, ok, want)
			}
		}
		if got := n.Values["target_charge_coulombs"]; got < 1.05*planned {
			t.Errorf("the target is %.0f C as planned, which an addition has raised", got)
		}
	})
}
