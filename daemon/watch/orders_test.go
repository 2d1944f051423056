package watch

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestOrdersComeIntoForce gives a running cell the limits, permissions and acts of another configuration.
func TestOrdersComeIntoForce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		cfg, err := watchtest.Zinc(dir, "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\"", `recover = "68 %"`, "[cell.zinc-1.alarm.over-current]\npriority = \"low\"\n")
		if err != nil {
			t.Fatal(err)
		}
		orders, err := OrdersOf(cfg, &cfg.Cells[0])
		if err != nil {
			t.Fatal(err)
		}
		if err := c.Order(t.Context(), orders); err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		now := &c.settings
		if now.Limits.Setting(alerts.OverCurrent).Priority != alerts.Low || now.HoldAmperes != 0.2 || now.AtTarget != alerts.Hold || !now.May.Hold {
			t.Errorf("not all is in force: %+v", now)
		}
		if !strings.Contains(string(now.Frozen), "0.2 A") {
			t.Error("the next run would be kept with the configuration before")
		}
	})
}

// TestEveryActOnAnAlarmIsKnown: each act is understood, and none besides.
func TestEveryActOnAnAlarmIsKnown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := zincCell(t, watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir(), "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		for _, act := range []control.AlarmAct{control.Acknowledge, control.Shelve, control.Unshelve, control.Reset, control.OutOfService, control.ReturnToService, "silence"} {
			err := c.ChangeAlarm(t.Context(), control.AlarmOrder{Act: act, Cell: "zinc-1", Condition: "contact", By: "ann", Reason: "test", Seconds: 60})
			if control.IsMistake(err) != (act == "silence") {
				t.Errorf("%s: %v", act, err)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
