package electrolysis

import (
	"math"
	"testing"
	"testing/quick"

	"nightcell/integrate/matter"
)

// TestCreepTimePassesTheCharge integrates the creeping current step by step, up to the time that it gives.
func TestCreepTimePassesTheCharge(t *testing.T) {
	check := func(q, g, k uint16) bool {
		charge, first, gain, constant := 100+float64(q), 3.0, 1+float64(g)/65536, 10+float64(k)
		end := creepTime(charge, first, gain, constant)
		const steps = 20000
		passed := 0.0
		for n := range steps {
			x := end * (float64(n) + 0.5) / steps
			passed += first * (1 + (gain-1)*(1-math.Exp(-x/constant))) * end / steps
		}
		return math.Abs(passed/charge-1) < 1e-6
	}
	if err := quick.Check(check, &quick.Config{MaxCount: 300}); err != nil {
		t.Error(err)
	}
}

// TestHeldVoltage: the current creeps by 2 % per kelvin (common practice, no source), the charge passes no later than at the first current,
// and the limit to set stands above the creep. A thermostat holds the current; a cell whose creep has no end gets a limit alone.
func TestHeldVoltage(t *testing.T) {
	c := zincCell(t)
	if a := assessed(t, c); a.Heat.Held.Limit.Known() {
		t.Errorf("a supply that holds the current: %+v", a.Heat.Held)
	}
	c.HoldsVolts = true
	a := assessed(t, c)
	held, first := a.Heat.Held, c.Current.Value
	near(t, "m3/s of air, for the limit", a.Air.BatteryRoom.Value, BatteryRoomAirflow(held.Limit.Value), 1e-15)
	near(t, "m3/s of hydrogen, for the limit", a.Gas[0].Worst.Value/assessed(t, zincCell(t)).Gas[0].Worst.Value, held.Limit.Value/first, 1e-9)
	rise := a.Heat.Steady.Value - a.Conditions.Ambient.Value
	near(t, "A once warm", held.Settled.Value, first/(1-0.02*rise), 1e-9)
	if !(held.Settled.Low <= first && held.Settled.Value < held.Settled.High && held.Limit.Value > held.Settled.High) {
		t.Errorf("%+v", held)
	}
	if steady := a.Duration.Value; !(held.Duration.Value < steady && held.Duration.Low < held.Duration.Value && held.Duration.High >= steady) {
		t.Errorf("%+v; at the first current %g s", held.Duration, steady)
	}
	c.Temperature = matter.GivenFigure(a.Heat.Steady.Value+10, 1)
	near(t, "A under a thermostat", assessed(t, c).Heat.Held.Settled.Value, first, 1e-9)

	c = zincCell(t)
	c.HoldsVolts, c.Volume, c.CellVolts = true, matter.GivenFigure(0.1e-3, 0), matter.GivenFigure(12, 0)
	a = assessed(t, c)
	if held := a.Heat.Held; !a.Heat.RunsAway || held.Settled.Known() || held.Duration.Known() || held.Limit.Value != 1.2*first {
		t.Errorf("a small bath at 12 V: %+v", a.Heat)
	}
}
