package watch

import (
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
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
