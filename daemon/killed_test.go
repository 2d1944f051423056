package daemon

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
)

// TestKilledBeforeTheSupplyAnswers kills a watch before its first checkpoint, so that its
// memory is lost, and the next one before the supply has answered; the third must
// still take the supply for the right one.
func TestKilledBeforeTheSupplyAnswers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, left := t.TempDir(), t.TempDir()
		b := newBench(t, drivers.NewClock(1), liveScenario)
		stop := start(t, zincCell(t, b, dir, "", `recover = "68 %"`, ""))
		<-time.After(time.Minute)
		if err := os.CopyFS(left, os.DirFS(dir)); err != nil { // what a kill leaves behind
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		for _, gone := range []bool{true, false} {
			b.set(func() { b.gone = gone })
			c := zincCell(t, b, left, "", `recover = "68 %"`, "")
			stop := start(t, c)
			<-time.After(time.Minute)
			if s := c.Latest(); s.Link.Up == gone {
				t.Errorf("unplugged: %v, up: %v: %s", gone, s.Link.Up, s.Link.Problem)
			}
			if err := stop(); err != nil {
				t.Fatal(err)
			}
		}
	})
}
