package watch

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// TestATargetOutOfReachIsRemembered: an assay says that the bath holds less than is asked for. The state is saved all the same.
func TestATargetOutOfReachIsRemembered(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, "", `deposit = "50 g"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, time.Hour, "the run started", func(s *snapshot.Cell) bool { return s.Run != "" && !s.Ended })
		if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: bath.EntryAssay, By: "ann", Certain: true, Numbers: map[string]float64{bath.PerMass: 40}}); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Enter(t.Context(), control.Entry{Cell: "zinc-1", Kind: bath.EntryConfirm, By: "bob"}); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Minute)
		if s := c.Latest(); !math.IsInf(s.Charge.TargetCoulombs, 1) {
			t.Fatalf("the target is %g C", s.Charge.TargetCoulombs)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
