package watch

import (
	"math"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/housetest"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// rippleScenario delivers 2.5 A and 1.5 A in turn, every 3.5 s.
const rippleScenario = `
name = "ripple"
duration = "30 min"
[supply]
output = "on"
amperes = 2.5
[[event]]
at = "0 s"
kind = "fold-back"
factor = 0.6
lasts = "3500 ms"
repeat = "7 s"
times = 256
`

// TestWatchesInStepWithARipple ends and starts the watch seventy times, in step with a ripple
// of the current or nearly so. The charge that truly passed lies within what is stated,
// and a replay of the log says the same to the bit.
func TestWatchesInStepWithARipple(t *testing.T) {
	t.Parallel() // most of it is waiting for the disk
	for _, times := range []struct{ watched, dark time.Duration }{
		{1400 * time.Millisecond, 1400 * time.Millisecond}, // five in two periods
		{6 * time.Second, 4500 * time.Millisecond},         // two in three periods
		{1200 * time.Millisecond, 1540 * time.Millisecond}, // seventy in 192 s
	}[:housetest.UnderRace(1, 3)] {
		synctest.Test(t, func(t *testing.T) {
			dir := t.TempDir()
			b := watchtest.New(t, drivers.NewClock(1), rippleScenario)
			booted := time.Now().Add(-time.Hour)
			settings := zincCell(t, b, dir, "", `recover = "68 %"`, "").settings
			settings.Plan = nil // the charge is what counts here, and a bath that the runs shared would not be that of a restart
			var c *Cell
			before := 0.0
			for i := range 70 {
				c = New(settings, MachineOf(b.Clock))
				c.m.Boot = func() (string, time.Duration, bool) { return "a", time.Since(booted), true }
				stop := watchtest.Start(t, c)
				<-time.After(times.watched)
				if i == 0 {
					before = b.Instrument.Truth(1).Charge - c.Latest().Charge.CountedCoulombs
				}
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				if i < 69 {
					<-time.After(times.dark)
				}
			}
			s, truth := c.Latest(), b.Instrument.Truth(1).Charge-before
			const lastPoll = 2.5 // C, in the second at most since the last reading
			miss, wide := math.Abs(s.Charge.CountedCoulombs-truth), 2*s.Charge.UncertaintyCoulombs
			t.Logf("%d gaps: %.1f ± %.1f C, truly %.1f C", s.Charge.Gaps, s.Charge.CountedCoulombs, wide, truth)
			if s.Charge.Gaps != 69 || miss > wide+lastPoll {
				t.Errorf("%d gaps: counted %.1f ± %.1f C, truly %.1f C", s.Charge.Gaps, s.Charge.CountedCoulombs, wide, truth)
			}
			report, err := runlog.ReplayFile(s.Run)
			if err != nil || !report.Sound() || report.Totals.StandardUncertainty != s.Charge.UncertaintyCoulombs || report.Totals.Charge != s.Charge.CountedCoulombs {
				t.Errorf("replay: %+v, %v; live %+v", report, err, s.Charge)
			}
		})
	}
}
