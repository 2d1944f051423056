package alerts_test

import (
	"math"
	"slices"
	"testing"
	"testing/quick"
	"time"

	"nightcell/alerts"
)

// TestCreepPassesTheCharge integrates the current that a creep foresees, step by step, up to the time that it gives.
func TestCreepPassesTheCharge(t *testing.T) {
	check := func(i, s, q uint16) bool {
		c := alerts.Creep{Slope: (float64(s) - 32768) / 32768 * 1e-3, Over: 3000}
		amperes, charge := 0.5+float64(i)/10000, 100+float64(q)
		at := c.Seconds(charge, amperes)
		const steps = 20000
		end, passed := at, 0.0
		if math.IsInf(at, 1) {
			end = -amperes / c.Slope // it has died away by then
		}
		ramp := math.Min(end, c.Over)
		for n := range steps {
			passed += math.Max(0, amperes+c.Slope*ramp*(float64(n)+0.5)/steps) * ramp / steps
		}
		passed += (end - ramp) * math.Max(0, amperes+c.Slope*c.Over)
		if math.IsInf(at, 1) {
			return c.Slope < 0 && passed < charge*(1+1e-6)
		}
		low, high := alerts.Creep{Slope: c.Slope, Uncertainty: 1e-5, Over: c.Over}.Bounds(charge, amperes)
		return math.Abs(passed/charge-1) < 1e-6 && low <= at && at <= high
	}
	if err := quick.Check(check, &quick.Config{MaxCount: 300}); err != nil {
		t.Error(err)
	}
	if at := (alerts.Creep{}).Seconds(3600, 2); at != 1800 {
		t.Errorf("a steady 2 A pass 3600 C in %g s", at)
	}
	if at := (alerts.Creep{Slope: 1e-4, Over: 60}).Seconds(-1, 2); at != 0 {
		t.Errorf("what has passed takes %g s", at)
	}
}

// TestConstantVoltageIsDeclared: what the configuration says needs no learning, a supply at its current limit is told as a change of mode,
// and a charge ahead of the first current's is no alarm.
func TestConstantVoltageIsDeclared(t *testing.T) {
	for _, declared := range []bool{true, false} {
		r := newRig(t)
		limits, chemistry := zinc()
		chemistry.HoldsVolts = declared
		r.b = alerts.NewBoard(limits, chemistry)
		r.o.Target, r.o.PlanCharge, r.o.Charge = 1e6, 1e5, 3e5 // while the supply holds the current
		changes := r.run(10 * time.Minute)
		told := func(c alerts.Condition) bool {
			return slices.ContainsFunc(changes, func(x alerts.Change) bool { return x.Condition == c && x.State == alerts.UNACK })
		}
		if told(alerts.ModeFlip) != declared || told(alerts.ChargeAhead) == declared {
			t.Errorf("declared %v: mode %v, ahead %v", declared, told(alerts.ModeFlip), told(alerts.ChargeAhead))
		}
		if _, ok := r.b.Creep(); ok {
			t.Error("a steady supply at constant current creeps")
		}
	}
}
