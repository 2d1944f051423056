package integrate

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestOneMeterIsAsNone: a run that one ammeter has measured throughout, the supply's or the second, has the charge, energy and uncertainty of one
// that knows of no other, whatever the other's accuracy.
func TestOneMeterIsAsNone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		figure := func(name string, most float64) float64 { return rapid.Float64Range(0, most).Draw(t, name) }
		is := MeterSettings{figure("gain", 0.01), figure("offset", 0.01), figure("digit", 0.01), figure("volt gain", 0.01), figure("volt offset", 0.01), figure("volt digit", 0.01)}
		plain := Settings{
			GainRelative: is.GainRelative, OffsetAmperes: is.OffsetAmperes, ResolutionAmperes: is.ResolutionAmperes,
			VoltGainRelative: is.VoltGainRelative, VoltOffset: is.VoltOffset, VoltResolution: is.VoltResolution, TimebaseRelative: figure("clock", 1e-3),
		}
		beside := plain // the supply's is counted, and the meter never speaks
		beside.Meter = MeterSettings{GainRelative: figure("other gain", 0.1), OffsetAmperes: figure("other offset", 0.1)}
		byMeter := Settings{TimebaseRelative: plain.TimebaseRelative, GainRelative: figure("gain of the supply", 0.1), Meter: is}
		one, other, third := NewCoulometer(plain), NewCoulometer(beside), NewCoulometer(byMeter)
		at := time.Duration(0)
		for range rapid.IntRange(2, 60).Draw(t, "readings") {
			s := Sample{At: at, Volts: figure("volts", 6), Amperes: figure("amperes", 5)}
			for _, c := range []*Coulometer{one, other, third} {
				s.Metered = c == third
				if _, err := c.Add(s, Evidence{}); err != nil {
					t.Fatal(err)
				}
			}
			at += time.Duration(rapid.Int64Range(1, 5e9).Draw(t, "step"))
		}
		want, got, metered := one.Totals(), other.Totals(), third.Totals()
		if got.EnergyStandardUncertainty = want.EnergyStandardUncertainty; got != want { // of volts the poorer meter's counts
			t.Errorf("beside a silent meter %+v, without %+v", got, want)
		}
		near := func(a, b float64) bool { return math.Abs(a-b) <= 1e-12*math.Abs(b) }
		if metered.Charge != want.Charge || metered.Energy != want.Energy || metered.MeterCharge != want.Charge || !near(metered.StandardUncertainty, want.StandardUncertainty) {
			t.Errorf("by the meter %+v, by the supply %+v", metered, want)
		}
	})
}

// TestTheTwoMetersAreIndependent: the charge is that of the true current however the readings change between the two, and the uncertainties of
// what each has measured add in quadrature; a zero and a correction of the supply leave the meter's part alone.
func TestTheTwoMetersAreIndependent(t *testing.T) {
	settings := Settings{GainRelative: 0.02, Meter: MeterSettings{GainRelative: 0.001}}
	for name, of := range map[string]func(n int) bool{
		"in turn": func(n int) bool { return n%2 == 0 }, "silent in the middle": func(n int) bool { return n < 100 || n > 300 },
		"late": func(n int) bool { return n > 200 },
	} {
		c := NewCoulometer(settings)
		if err := c.SetZero(Zero{Amperes: 0.05}); err != nil {
			t.Fatal(err)
		}
		if err := c.SetCorrection(Correction{Factor: 1.02}); err != nil {
			t.Fatal(err)
		}
		meter, whole := 0.0, 400.0*3
		for n := range 401 {
			s := Sample{At: time.Duration(n) * time.Second, Volts: 4, Amperes: 3, Metered: of(n)}
			if !s.Metered {
				s.Amperes = 3/1.02 + 0.05
			}
			share := 3.0
			if n == 0 || n == 400 {
				share = 1.5
			}
			if s.Metered {
				meter += share
			}
			if _, err := c.Add(s, Evidence{}); err != nil {
				t.Fatal(err)
			}
		}
		got := c.Totals()
		want := math.Hypot(0.02*(whole-meter), 0.001*meter) / math.Sqrt(3)
		if math.Abs(got.Charge-whole) > 1e-9*whole || math.Abs(got.Energy-4*whole) > 1e-9*whole || math.Abs(got.MeterCharge-meter) > 1e-9*whole ||
			math.Abs(got.StandardUncertainty-want) > 1e-9*want {
			t.Errorf("%s: %.4f C, %.4f J, %.4f C by the meter, u %.5f C; want %.4f C, %.4f J, %.4f C, %.5f C", name,
				got.Charge, got.Energy, got.MeterCharge, got.StandardUncertainty, whole, 4*whole, meter, want)
		}
		again, err := Restore(c.Settings(), c.State())
		if err != nil || again.Totals() != got {
			t.Errorf("%s: restored %+v, %v", name, again.Totals(), err)
		}
	}
}

// TestLeads: the resistance is the true one within its uncertainty, which is that of two voltmeters and an ammeter.
func TestLeads(t *testing.T) {
	s := Settings{GainRelative: 0.001, VoltGainRelative: 0.001, VoltOffset: 0.003, Meter: MeterSettings{VoltGainRelative: 0.0005, VoltOffset: 0.001}}
	for _, sign := range []float64{-0.6, 0, 0.6} { // of the limits: all four at their ends would be rare
		c := NewCoulometer(s)
		if l := c.Totals().Leads; l != (Leads{}) {
			t.Errorf("before any reading %+v", l)
		}
		for n := range 100 {
			amperes := 3 + math.Sin(float64(n))/10
			cell := 3.5 + 0.2*amperes
			supply := cell + 0.02*amperes
			_, err := c.Add(Sample{
				At: time.Duration(n) * time.Second, Amperes: amperes, AtCell: true,
				Volts: cell - sign*(0.0005*cell+0.001), SupplyVolts: supply + sign*(0.001*supply+0.003),
			}, Evidence{})
			if err != nil {
				t.Fatal(err)
			}
		}
		l := c.Totals().Leads
		if math.Abs(l.Ohms-0.02) > 2*l.StandardUncertainty || l.StandardUncertainty < 0.0008 || l.StandardUncertainty > 0.003 || l.Readings != 100 {
			t.Errorf("%+v", l)
		}
		if sign == 0 && math.Abs(l.Ohms-0.02) > 1e-12 {
			t.Errorf("%+v without errors", l)
		}
	}
}

// TestGapsHaveTheirOwnMetersAccuracy: the charge of a gap between two readings of one meter is uncertain by that meter, one between a reading of each by
// the supply, and one that somebody has settled by neither; also once so many gaps have come that the narrow ones are summed.
func TestGapsHaveTheirOwnMetersAccuracy(t *testing.T) {
	settings := Settings{GainRelative: 0.02, OffsetAmperes: 0.01, VoltGainRelative: 0, Meter: MeterSettings{GainRelative: 0.001, OffsetAmperes: 0.002}}
	untouched := Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3, Restarted: true}
	for name, tt := range map[string]struct {
		before, after bool
		gaps          int
		settle        bool
	}{
		"supply": {}, "meter": {before: true, after: true}, "from meter to supply": {before: true}, "from supply to meter": {after: true},
		"meter, settled": {before: true, after: true, settle: true}, "many": {before: true, after: true, gaps: 100},
	} {
		c := NewCoulometer(settings)
		var at time.Duration
		add := func(d time.Duration, metered bool, e Evidence) {
			t.Helper()
			at += d
			if _, err := c.Add(Sample{At: at, Volts: 4, Amperes: 3, Metered: metered}, e); err != nil {
				t.Fatal(err)
			}
		}
		add(0, tt.before, Evidence{})
		add(100*time.Second, tt.before, Evidence{})
		for range max(tt.gaps, 1) {
			add(10*time.Second, tt.after, untouched)
		}
		add(100*time.Second, tt.after, Evidence{})
		seconds := map[bool]float64{} // by the meter, by the supply
		seconds[tt.before] += 100
		seconds[tt.after] += 100
		if tt.settle {
			if err := c.Settle(0, 30, 30, 30); err != nil {
				t.Fatal(err)
			}
		} else {
			seconds[tt.before && tt.after] += 10 * float64(max(tt.gaps, 1))
		}
		root := math.Sqrt(3)
		b, meter, supply := c.Totals().Budget, seconds[true], seconds[false]
		want := Budget{Gain: 0.02 * 3 * supply / root, Offset: 0.01 * supply / root, Meter: math.Hypot(0.001*3*meter, 0.002*meter) / root}
		if math.Abs(b.Gain-want.Gain) > 1e-9 || math.Abs(b.Offset-want.Offset) > 1e-9 || math.Abs(b.Meter-want.Meter) > 1e-9 {
			t.Errorf("%s: %+v, want %+v", name, b, want)
		}
		// Of the energy at 4 V the current's part alone is uncertain, apart from the gaps' own.
		own := 4 * b.Gaps
		if u, want := c.Totals().EnergyStandardUncertainty, rootSumSquares(4*want.Gain, 4*want.Offset, 4*want.Meter, own); math.Abs(u-want) > 1e-6*want {
			t.Errorf("%s: energy ± %.6f J, want %.6f J", name, u, want)
		}
		if again, err := Restore(c.Settings(), c.State()); err != nil || again.Totals() != c.Totals() {
			t.Errorf("%s: restored %+v, %v", name, again.Totals(), err)
		}
	}
}
