package run_test

import (
	"math"
	"testing"
	"time"

	"nightcell/daemon/run"
	"nightcell/drivers"
)

// TestTheFinishFollowsACreepingCurrent: at constant voltage 3 A creep up by 0.3 A in an hour, as a bath does that warms. The finish is that of
// the creep, which goes on for an hour more and then stays (closed form), within its range.
// At constant current the same readings give the finish of the present current.
func TestTheFinishFollowsACreepingCurrent(t *testing.T) {
	for _, mode := range []drivers.Mode{drivers.ConstantVoltage, drivers.ConstantCurrent} {
		n := newNight(t)
		n.settings.Chemistry.HoldsVolts, n.mode = mode == drivers.ConstantVoltage, mode
		var err error
		if n.run, err = run.Begin(&n.settings, n.facts(), *n.reading(), run.Zero{}, n.settings.Count.ZeroAmperes); err != nil {
			t.Fatal(err)
		}
		creep := func(at time.Duration) drivers.Amperes { return 3 + drivers.Amperes(0.3*at.Hours()) }
		for n.at < 2*time.Hour {
			n.amperes = creep(n.at + poll)
			n.round()
		}
		s := n.shown()
		now, left := float64(n.amperes), s.Charge.TargetCoulombs-s.Charge.CountedCoulombs
		want := left / now
		if mode == drivers.ConstantVoltage {
			want = 3600 + (left-(now+0.15)*3600)/(now+0.3)
			if !(s.Charge.SecondsLow <= want && want <= s.Charge.SecondsHigh+60) {
				t.Errorf("%g s are not within %g to %g", want, s.Charge.SecondsLow, s.Charge.SecondsHigh)
			}
		} else if s.Charge.SecondsHigh != 0 {
			t.Errorf("at constant current the finish has a range up to %g s", s.Charge.SecondsHigh)
		}
		if got := s.Charge.SecondsToTarget; math.Abs(got-want) > 120 {
			t.Errorf("%v: %.0f s to go, want %.0f", mode, got, want)
		}
	}
}
