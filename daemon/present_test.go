package daemon

import (
	"bytes"
	"math"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestRemindersAndDrillsAreOfNow: the current is too high, somebody turns it down and not far enough, and nobody answers.
func TestRemindersAndDrillsAreOfNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"30 min\"\nkind = \"panel\"\namperes = 3.6\n"+
			"[[event]]\nat = \"35 min\"\nkind = \"panel\"\namperes = 3.4\n")
		d, phone := daemonOf(t, b, t.TempDir(), "", ""), &watchtest.LetterBox{}
		c := d.posts()[0].Cell
		d.join(t, routes.Way{Route: phone, Repeat: 20 * time.Minute}).Start()
		stop := watchtest.Start(t, c)
		<-time.After(55 * time.Minute)
		if _, err := d.Operator().Drill(t.Context(), control.CellOrder{Cell: "zinc-1", By: "test"}); err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if err := d.stopBoxes(); err != nil {
			t.Fatal(err)
		}
		about := func(n routes.Notice) bool { return n.Condition == alerts.OverCurrent.String() }
		first := phone.Got()[slices.IndexFunc(phone.Got(), about)]
		again := phone.Got()[slices.IndexFunc(phone.Got(), func(n routes.Notice) bool { return about(n) && n.Repeat == 1 })]
		drill := phone.Got()[slices.IndexFunc(phone.Got(), func(n routes.Notice) bool { return n.Drill })]
		for name, tt := range map[string]struct {
			n               routes.Notice
			amperes, charge float64 // A, C
		}{
			"alarm": {first, 3.6, 30 * 60 * 3}, "reminder": {again, 3.4, 30*60*3 + 5*60*3.6 + 15*60*3.4}, "drill": {drill, 3.4, 30*60*3 + 5*60*3.6 + 20*60*3.4},
		} {
			if got := tt.n.Values["reading_amperes"]; math.Abs(got-tt.amperes) > 0.02 {
				t.Errorf("the %s carries %g A, want about %g A", name, got, tt.amperes)
			}
			if got := tt.n.Values["charge_coulombs"]; math.Abs(got-tt.charge) > 60 {
				t.Errorf("the %s carries %g C, want about %g C", name, got, tt.charge)
			}
		}
		if age := again.Age(); age < 19*time.Minute || age > 21*time.Minute {
			t.Errorf("the reminder says that the alarm is %v old", age)
		}
		if !strings.Contains(drill.Text, "over-current for 24 min") || strings.Contains(drill.Text, "Nothing is wrong") {
			t.Errorf("the drill says %q", drill.Text)
		}
		if old, now := pictureOf(t, d, first), pictureOf(t, d, again); len(old) == 0 || bytes.Equal(old, now) {
			t.Error("the reminder shows the picture of the alarm")
		}
	})
}
