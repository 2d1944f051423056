package bath

import (
	"math"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
	"nightcell/integrate/stock"
)

// unsure is a bath of 50 g of zinc in 1 L, each with a standard uncertainty.
func unsure(t rapid.TB, grams, litres, efficiency float64) *Plan {
	p, err := NewPlan(Order{
		Contents:   Contents{Metal: "Zn", Medium: matter.Sulfate, Volume: matter.GivenFigure(1e-3, litres*1e-3), MetalMass: matter.GivenFigure(0.050, grams*1e-3)},
		Target:     Target{Recover, given(0.8)},
		Efficiency: Efficiency{Fraction: matter.GivenFigure(0.88, 0.88*efficiency)},
		Conditions: Conditions{Current: matter.GivenFigure(3, 0.001)},
	})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func found(kgPerM3, u float64) Entry {
	return Entry{Kind: EntryAssay, Numbers: map[string]float64{PerMass: kgPerM3, PerMassDoubt: u * math.Sqrt(3)}}
}

func booked(t rapid.TB, p *Plan, entries ...Entry) *Plan {
	for _, e := range entries {
		if _, err := p.Book(e, Plain); err != nil {
			t.Fatal(err)
		}
	}
	return p
}

// TestAnAssayIsWeighed: 50 g with 3 g, beside 46 g/L with 4 g/L in a litre that is known, are 48.56 g with 2.4 g: weighted mean and its standard
// uncertainty by hand, 1/9 to 1/16.
func TestAnAssayIsWeighed(t *testing.T) {
	p := unsure(t, 3, 1e-9, 0.04)
	before := p.Standing(3)
	after := booked(t, p, found(46, 4)).Standing(3)
	if left := p.Left(); math.Abs(left.Value-0.04856) > 1e-8 || math.Abs(left.StandardUncertainty-0.0024) > 1e-8 {
		t.Errorf("%g kg ± %g kg", left.Value, left.StandardUncertainty)
	}
	if off := p.Standing(0); math.Abs(off.TargetDoubt-after.TargetDoubt) > 1e-9*after.TargetDoubt {
		t.Errorf("the doubt of the target is %g C with the current off, %g C with it on", off.TargetDoubt, after.TargetDoubt)
	}
	if got := after.TargetCharge / before.TargetCharge; math.Abs(got-0.9712) > 1e-6 || !(after.TargetDoubt < before.TargetDoubt) {
		t.Errorf("the target moves by %g, its doubt from %g C to %g C", got, before.TargetDoubt, after.TargetDoubt)
	}
	// A precise assay is believed, a vague one is not, and one that contradicts the account, entered as certain, is not averaged with it.
	for _, tt := range []struct{ found, u, want float64 }{{46, 0.01, 46}, {46, 400, 50}, {20, 0.1, 20}, {46, 0, 46}} {
		p := unsure(t, 3, 1e-9, 0.04)
		if _, err := p.BookAssay(matter.GivenFigure(tt.found, tt.u)); err != nil || math.Abs(p.Left().Value*1e3-tt.want) > 1e-3 {
			t.Errorf("%g g/L ± %g g/L makes %g g of it, %v", tt.found, tt.u, p.Left().Value*1e3, err)
		}
	}
}

// TestWeighedAsTheLedgerDoes: whatever happened to a bath before its first assay, account and ledger take that to the same metal and volume with the same doubt.
func TestWeighedAsTheLedgerDoes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		metal, volume, relative := draw("g", 0.01, 5), draw("L", 0.001, 0.05), draw("efficiency", 0.001, 0.1)
		p := unsure(t, metal, volume, math.Hypot(relative, stock.Scatter)) // in one run both are one error
		s := stock.Of(matter.GivenFigure(0.050, metal*1e-3), matter.GivenFigure(1e-3, volume*1e-3), false)
		s.Begin(0, 0)
		for range rapid.IntRange(0, 5).Draw(t, "n") {
			switch rapid.IntRange(0, 2).Draw(t, "kind") {
			case 0:
				won := p.Model.Step(3*1000, 1000) * p.scenario.molar
				s.Take(stock.Stretch{Won: won, ByEfficiency: won * relative})
			case 1:
				if _, err := p.TakeSample(2e-5); err != nil {
					t.Fatal(err)
				}
				if err := s.Draw(matter.GivenFigure(2e-5, 0), false); err != nil {
					t.Fatal(err)
				}
			case 2:
				booked(t, p, Entry{Kind: EntryWater, Numbers: map[string]float64{LiquidVolume: 5e-5}})
				if err := s.Add(matter.Figure{}, matter.GivenFigure(5e-5, 5e-5*VolumeDoubt)); err != nil {
					t.Fatal(err)
				}
			}
		}
		said, own := p.bookedConcentration()
		u := draw("u", 0.01, 10)
		told := said + draw("far", -2.9, 2.9)*math.Hypot(own, u)
		if told < 0 {
			t.Skip()
		}
		booked(t, p, found(told, u))
		s.Assay(matter.GivenFigure(told, u))
		near := func(what string, got, want float64) {
			if math.Abs(got-want) > 2e-3*math.Abs(want) {
				t.Fatalf("%s: %g, the ledger %g", what, got, want)
			}
		}
		near("metal", p.Left().Value, s.Metal().Value)
		near("volume", p.Model.Catholyte().Volume, s.Volume().Value)
	})
}

// TestWeighingIsFair: as far up as down, in any order, and an assay never leaves the bath less known than it was.
func TestWeighingIsFair(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		metal, volume, relative, hours := draw("g", 0.1, 3), draw("L", 0.001, 0.03), draw("efficiency", 0.001, 0.1), draw("h", 0, 6)
		make := func() *Plan {
			p := unsure(t, metal, volume, relative)
			p.Model.Step(3*3600*hours, 3600*hours+1e-9)
			return p
		}
		said, own := make().bookedConcentration()
		first, second := draw("first", 0.01, 5), draw("second", 0.01, 5)
		far := draw("far", 0, 1) * own
		other := far + draw("other", -1, 1)*min(first, second) // two that contradict each other are not averaged
		up, down := booked(t, make(), found(said+far, first)), booked(t, make(), found(said-far, first))
		if a, b := up.Left().Value-make().Left().Value, make().Left().Value-down.Left().Value; math.Abs(a-b) > 0.05*own*1e-3 {
			t.Fatalf("%g kg up and %g kg down", a, b)
		}
		a, b := booked(t, make(), found(said+far, first), found(said+other, second)), booked(t, make(), found(said+other, second), found(said+far, first))
		if x, y := a.Left(), b.Left(); math.Abs(x.Value-y.Value) > 0.1*x.StandardUncertainty || // a concentration is not linear in metal and volume
			math.Abs(x.StandardUncertainty/y.StandardUncertainty-1) > 0.1 {
			t.Fatalf("%g kg ± %g kg in one order, %g kg ± %g kg in the other", x.Value, x.StandardUncertainty, y.Value, y.StandardUncertainty)
		}
		was, is := make().Standing(3), up.Standing(3)
		if is.ConcentrationDoubt > was.ConcentrationDoubt*(1+1e-9) || up.Left().StandardUncertainty > make().Left().StandardUncertainty*(1+1e-9) || is.TargetDoubt > was.TargetDoubt*(1+1e-9) {
			t.Fatalf("an assay widens %+v to %+v", was, is)
		}
	})
}

// TestOpenRunsAreCovered: in simulated runs whose errors are as large as they are taken for, the true concentration lies in the band of 95 % that often
// after every assay, sample, addition and stretch.
func TestOpenRunsAreCovered(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 1))
	checked, inside := 0, 0
	for range 2000 {
		const relative = 0.04
		p := unsure(t, 0.6, 0.015, relative)
		off := func(told, u float64) float64 { return told + u*rng.NormFloat64() }
		metal, volume, bias := off(0.050, 0.6e-3), off(1e-3, 0.015e-3), rng.NormFloat64()
		for range 4 {
			hours := 0.5 + rng.Float64()
			metal -= p.Model.Step(3*3600*hours, 3600*hours) * p.scenario.molar * (1 + relative*bias)
			switch rng.IntN(4) {
			case 0:
				u := 0.1 + rng.Float64()
				booked(t, p, found(off(metal/volume, u), u))
			case 1:
				if _, err := p.TakeSample(20e-6); err != nil {
					t.Fatal(err)
				}
				metal, volume = metal*(1-20e-6/volume), volume-20e-6
			case 2:
				booked(t, p, Entry{Kind: EntryAddition, Numbers: map[string]float64{Mass: 0.02}, Words: map[string]string{Formula: "ZnSO4·7H2O"}})
				metal += off(0.02, 0.02*math.Hypot(AssayDoubt, BalanceDoubt)) * 65.38 / 287.54
			case 3:
				booked(t, p, Entry{Kind: EntryWater, Numbers: map[string]float64{LiquidVolume: -30e-6}})
				volume -= off(30e-6, 30e-6*EvaporationDoubt)
			}
			checked++
			if s := p.Standing(3); math.Abs(s.Concentration-metal/volume) <= 1.959964*s.ConcentrationDoubt {
				inside++
			}
		}
	}
	share := float64(inside) / float64(checked)
	t.Logf("%d of %d true concentrations lie in their band, %.1f %%", inside, checked, 100*share)
	if math.Abs(share-0.95) > 0.0125 {
		t.Errorf("%.1f %% lie in the band of 95 %%", 100*share)
	}
}
