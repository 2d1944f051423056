package watch

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// TestAnOpenRunKeepsTheTargetThatItBeganWith: the deposit of the run before is weighed while the next one goes on, as it is once it is dry.
// The bath's ledger then says otherwise what was left; a restart moves neither the target nor what it is of.
func TestAnOpenRunKeepsTheTargetThatItBeganWith(t *testing.T) {
	for name, c := range map[string]struct {
		target string
		kg     float64
	}{
		"all that is left": {`deposit = "56 g"`, 0.0002},
		"a deposit":        {`deposit = "55 g"`, 0.0026},
		"a share":          {`recover = "50 %"`, 0.0026},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
				lines := `may = ["off"]` + "\n" + `at_target = "off"`
				first := zincCell(t, b, dir, lines, recover30, "")
				stop := watchtest.Start(t, first)
				untilShown(t, first, 3*time.Hour, "the first run ends", hasEnded)
				before := first.Latest().Run
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				b.Instrument.Handle([]byte("OUTP ON\n"))
				second := zincCell(t, b, dir, lines, c.target, "")
				stop = watchtest.Start(t, second)
				untilShown(t, second, time.Hour, "the second run started", func(s *snapshot.Cell) bool { return s.Run != before && !s.Ended })
				<-time.After(10 * time.Minute)
				began := second.Latest()
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				w, err := runlog.OpenLate(before)
				if err != nil {
					t.Fatal(err)
				}
				if _, err := w.Append(time.Now(), bath.EntryWeighing, "", runlog.Text("by", "ada"), runlog.Number(bath.Mass, c.kg), runlog.Number("mass_plus_minus_kilograms", 1e-5)); err != nil {
					t.Fatal(err)
				}
				if err := w.Close(); err != nil {
					t.Fatal(err)
				}
				again := zincCell(t, b, dir, lines, c.target, "")
				stop = watchtest.Start(t, again)
				<-time.After(10 * time.Minute)
				after := again.Latest()
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				if after.Run != began.Run || !(math.Abs(after.Charge.TargetCoulombs/began.Charge.TargetCoulombs-1) < 1e-6) {
					t.Errorf("after the restart the target of %s is %g C; it was %g C of %s", after.Run, after.Charge.TargetCoulombs, began.Charge.TargetCoulombs, began.Run)
				}
				if after.PlannedTarget != began.PlannedTarget || after.Left != began.Left {
					t.Errorf("planned are %g C of the %s; it was %g C of the %s", after.PlannedTarget, after.Left, began.PlannedTarget, began.Left)
				}
			})
		})
	}
}
