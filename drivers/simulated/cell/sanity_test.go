package cell

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var night = Drive{Volts: 6, Amperes: 3, On: true}

// Common practice, no source: a bench zinc cell runs between 3.2 and 4 V, and loses 0.1 to 0.3 V while it warms up;
// near 88 % of the current wins metal while the bath is rich.
func TestZincNight(t *testing.T) {
	c := build(t, Zinc())
	first := c.pass(60, night, Healthy())
	near(t, "efficiency at first", first.MetalAmperes/first.CellAmperes, 0.88, 0.01)
	settled := c.pass(6*3600, night, Healthy())
	if fall := first.Volts - settled.Volts; first.Volts > 4 || settled.Volts < 3.2 || fall < 0.1 || fall > 0.3 {
		t.Errorf("%.3f V at first and %.3f V settled", first.Volts, settled.Volts)
	}
	if warm := c.Totals.Temperature - Zinc().Temperature; warm < 4 || warm > 15 {
		t.Errorf("the bath warmed by %.1f K", warm)
	}
	// Efficiency only falls from here, slowly at first and then fast, while zinc hides it from the voltmeter.
	last, volts := settled.MetalAmperes/settled.CellAmperes, settled.Volts
	for range 30 {
		p := c.pass(1800, night, Healthy())
		if e := p.MetalAmperes / p.CellAmperes; e > last {
			t.Fatalf("efficiency rose from %.4f to %.4f", last, e)
		} else {
			last = e
		}
		volts = p.Volts
	}
	if last > 0.3 {
		t.Errorf("after 21 h still %.0f %% of the current wins metal", last*100)
	}
	if volts-settled.Volts > 0.2 {
		t.Errorf("zinc's depletion shows: %.3f V over %.3f V", volts, settled.Volts)
	}
	if v := build(t, Zinc()).pass(1, Drive{Volts: 6}, Healthy()).Volts; v != 0 {
		t.Errorf("a bare cathode that never carried current holds %.2f V", v)
	}
}

// Common practice, no source: copper's depletion raises the volts by 0.5 to 1 V as hydrogen takes over.
func TestCopperDepletionShows(t *testing.T) {
	c := build(t, Copper())
	rich := c.pass(1800, night, Healthy())
	spent := c.pass(9*3600, night, Healthy())
	if rise := spent.Volts - rich.Volts; rise < 0.5 || rise > 1 {
		t.Errorf("volts rose by %.3f from %.3f", rise, rich.Volts)
	}
}

func TestFaultsLookAsTheyShould(t *testing.T) {
	c := build(t, Zinc())
	normal := c.pass(3600, night, Healthy())
	point := func(change func(*Influence)) Point {
		in := Healthy()
		change(&in)
		return c.Point(night, in)
	}
	short := point(func(in *Influence) { in.ShortSiemens = 1 / 0.02 })
	if short.Volts > 1 || short.Amperes != 3 || short.CellAmperes != 0 || short.ConstantVoltage {
		t.Errorf("hard short: %+v", short)
	}
	whisker := point(func(in *Influence) { in.ShortSiemens = 1 / 3.0 })
	if dip := 1 - whisker.Volts/normal.Volts; dip < 0.05 || dip > 0.3 || math.Abs(whisker.Amperes-3) > 1e-9 || whisker.CellAmperes >= 3 {
		t.Errorf("whisker dips by %.3f: %+v", dip, whisker)
	}
	open := point(func(in *Influence) { in.LeadOhms = math.Inf(1) })
	if open.Amperes != 0 || open.Volts != 6 || !open.ConstantVoltage {
		t.Errorf("open lead: %+v", open)
	}
	passive := point(func(in *Influence) { in.AnodeVolts = 5 })
	if !passive.ConstantVoltage || passive.Amperes > 1 || passive.Volts > 6+1e-9 {
		t.Errorf("passive anode: %+v", passive)
	}
	clogged := point(func(in *Influence) { in.ExtraOhms = 0.1 })
	near(t, "rise by 0.1 Ω at 3 A", clogged.Volts-normal.Volts, 0.3, 0.02)
	still := point(func(in *Influence) { in.Stirring = 0.4 })
	if rise := still.Volts - normal.Volts; rise < 0.005 || rise > 0.2 {
		t.Errorf("without stirring the volts rise by %.4f", rise)
	}
	impure := point(func(in *Influence) { in.Hydrogen = 4 })
	if impure.MetalAmperes > normal.MetalAmperes*0.95 || math.Abs(impure.Volts-normal.Volts) > 0.03 {
		t.Errorf("an impurity costs efficiency, hardly volts: %+v", impure)
	}
	low := Drive{Volts: 1, Amperes: 3, On: true}
	if p := c.Point(low, Healthy()); p.Amperes != 0 || !p.ConstantVoltage {
		t.Errorf("below the reversible voltage flow %g A", p.Amperes)
	}
}

// At rest zinc dissolves in acid, one hydrogen molecule for each atom, and the back-EMF sags.
func TestRestingCellRedissolves(t *testing.T) {
	c := build(t, Zinc())
	c.pass(3600, night, Healthy())
	before := c.Totals
	first := c.pass(10, Drive{Volts: 6}, Healthy())
	later := c.pass(3600, Drive{Volts: 6}, Healthy())
	after := c.Totals
	if !(first.Volts > later.Volts && first.Volts > 1.5 && first.Volts < 2.2 && later.Volts > 0.3) {
		t.Errorf("back-EMF %.3f V, an hour later %.3f V", first.Volts, later.Volts)
	}
	lost := before.Deposit - after.Deposit
	if !(lost > 0) {
		t.Fatalf("nothing dissolved")
	}
	near(t, "hydrogen of dissolution", after.Hydrogen-before.Hydrogen, lost, 1e-9)
	if after.Charge != before.Charge || after.Energy != before.Energy {
		t.Errorf("charge or energy counted with the output off")
	}
	c.pass(150*3600, Drive{}, Healthy())
	if d := c.Totals.Deposit; d != 0 {
		t.Errorf("%g mol are left after weeks in acid", d)
	}
}

// Constant voltage with little cooling runs away; constant current does not. Common practice, no source.
func TestRunaway(t *testing.T) {
	s := Zinc()
	s.HeatLoss, s.HeatCapacity, s.Resistance = 0.12, 2500, 0.6
	climb := func(d Drive) float64 {
		c := build(t, s)
		first := c.pass(60, d, Healthy())
		last := c.pass(6*3600, d, Healthy())
		return last.Amperes / first.Amperes
	}
	if r := climb(Drive{Volts: 4.4, Amperes: 10, On: true}); r < 1.5 {
		t.Errorf("in constant voltage the current grew by ×%.2f", r)
	}
	if r := climb(night); r != 1 {
		t.Errorf("in constant current it changed by ×%g", r)
	}
}

// The books close whatever happens: metal, charge, and limits of the supply.
func TestBalances(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		s := rapid.SampledFrom([]Setup{Zinc(), Copper()}).Draw(rt, "cell")
		s.Concentration *= rapid.Float64Range(0, 1.5).Draw(rt, "richness")
		c, err := New(s)
		if err != nil {
			rt.Fatal(err)
		}
		var charge, energy, through float64
		for range rapid.IntRange(1, 60).Draw(rt, "steps") {
			dt := rapid.Float64Range(0.001, MaxStep).Draw(rt, "dt")
			d := Drive{
				Volts:   rapid.Float64Range(0, 32).Draw(rt, "volts"),
				Amperes: rapid.Float64Range(0, 6).Draw(rt, "amperes"),
				On:      rapid.Bool().Draw(rt, "on"),
			}
			in := Healthy()
			in.ShortSiemens = rapid.SampledFrom([]float64{0, 0, 0.3, 50, 1000}).Draw(rt, "short")
			in.LeadOhms = rapid.SampledFrom([]float64{0, 0.02, 0.5, math.Inf(1)}).Draw(rt, "lead")
			in.ExtraOhms = rapid.Float64Range(0, 3).Draw(rt, "extra")
			in.AnodeVolts = rapid.SampledFrom([]float64{0, 0, 1, 8}).Draw(rt, "passive")
			in.Stirring = rapid.Float64Range(0, 2).Draw(rt, "stirring")
			in.Leak = rapid.SampledFrom([]float64{0, 0, 1e-5}).Draw(rt, "leak")
			in.Heat = rapid.SampledFrom([]float64{0, 200}).Draw(rt, "heat")
			p := c.Step(dt, d, in)
			if p.Amperes > d.Amperes || p.Amperes < 0 || p.CellAmperes < -1e-12 {
				rt.Fatalf("%g A of %g A: %+v under %+v", p.Amperes, d.Amperes, p, in)
			}
			if p.Amperes > 0 && p.Volts > d.Volts*(1+1e-9) || math.IsNaN(p.Volts) {
				rt.Fatalf("%g V of %g V: %+v under %+v", p.Volts, d.Volts, p, in)
			}
			charge += p.Amperes * dt
			energy += p.Amperes * p.Volts * dt
			through += p.CellAmperes * dt
			if rapid.IntRange(0, 9).Draw(rt, "visit") == 0 {
				c.Add(rapid.Float64Range(0, 0.02).Draw(rt, "salt"), rapid.Float64Range(-1e-4, 1e-4).Draw(rt, "water"))
			}
		}
		b := c.Totals
		same := func(what string, got, want, size float64) {
			if !(math.Abs(got-want) <= 1e-9*size) {
				rt.Fatalf("%s: %.12g against %.12g", what, got, want)
			}
		}
		same("metal", b.BathMetal+b.Deposit+b.RemovedMetal, s.Concentration*s.Volume+b.AddedMetal, 10)
		same("charge", b.Charge, charge, 1+charge)
		same("energy", b.Energy, energy, 1+energy)
		same("reactions", 2*faraday*(b.Deposit+b.Hydrogen), through, 1+through)
		if b.Deposit < 0 || b.Hydrogen < -1e-12 || b.BathMetal < 0 || b.Volume < 0 || b.Temperature > boiling+1 {
			rt.Fatalf("impossible: %+v", b)
		}
	})
}

// Salt thrown into a bath that leaked away does not dissolve without end: the cell keeps a
// voltage that a cell can have.
func TestDriedBath(t *testing.T) {
	for _, water := range []float64{0, 1e-300, 1e-200, 1e-100, 1e-50, 1e-38, 1e-30, 1e-20, 1e-9} {
		c := build(t, Zinc())
		c.Add(0, -1)
		c.Add(0.02, water)
		if p := c.Step(1, Drive{Volts: 32, Amperes: 1, On: true}, Healthy()); !(p.Volts > 0 && p.Volts <= 32) {
			t.Errorf("20 g in %g m3: %+v", water, p)
		}
	}
}

// The length of the steps does not change the truth: 1 s against MaxStep, over a night with a swing, is the same within 1e-6.
func TestStepLengthDoesNotMatter(t *testing.T) {
	run := func(dt float64) Totals {
		c := build(t, Zinc())
		in := Healthy()
		in.Evaporation = 20
		for range int(12 * 3600 / dt) {
			c.Step(dt, Drive{Volts: 3.8, Amperes: 3, On: true}, in)
		}
		return c.Totals
	}
	fine, coarse := run(1), run(MaxStep)
	near(t, "charge", coarse.Charge, fine.Charge, 1e-6)
	near(t, "energy", coarse.Energy, fine.Energy, 1e-6)
	near(t, "deposit", coarse.Deposit, fine.Deposit, 1e-6)
	near(t, "temperature", coarse.Temperature, fine.Temperature, 1e-7)
}

func TestBadSetups(t *testing.T) {
	for _, c := range []struct {
		spoil func(*Setup)
		says  string
	}{
		{func(s *Setup) { s.Volume = 0 }, "volume is 0; it must be a positive number"},
		{func(s *Setup) { s.Area = math.NaN() }, "cathode area is NaN"},
		{func(s *Setup) { s.Resistance = math.Inf(1) }, "resistance is +Inf"},
		{func(s *Setup) { s.Impurity = 1 }, "impurity share lies from 0 to below 1"},
		{func(s *Setup) { s.Metal.MolarMass = -1 }, "molar mass is -1"},
	} {
		s := Zinc()
		c.spoil(&s)
		if _, err := New(s); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("error %v, want %q", err, c.says)
		}
	}
}

func BenchmarkStep(b *testing.B) {
	c, err := New(Zinc())
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		c.Step(1, night, Healthy())
	}
}
