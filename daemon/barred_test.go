package daemon

import (
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestCurrentThatNobodyWatchesIsNotSafe: the run ended with its output verified off; now current flows, and no run can begin.
func TestCurrentThatNobodyWatchesIsNotSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		d := daemonOf(t, b, dir, `may = ["off"]`, "")
		c := d.posts()[0].Cell
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		if err := c.SwitchOff(t.Context(), "test"); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Minute)
		if !d.safe(c) {
			t.Error("verified off, and not safe")
		}
		runs := filepath.Join(d.o.Config.Data, "runs", "zinc-1")
		if err := os.Rename(runs, runs+".away"); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(runs, nil, 0o640); err != nil {
			t.Fatal(err)
		}
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Minute)
		if !c.Barred() || d.safe(c) {
			t.Errorf("current flows unwatched: barred %v, safe %v", c.Barred(), d.safe(c))
		}
		_ = stop()
	})
}
