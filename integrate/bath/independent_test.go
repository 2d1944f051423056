package bath_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// These tests were written from the description of the two-stage drawdown alone, in
// concentration and volume instead of moles and with a solver of their own, so that
// they share no formula with the package.

// beaker is the independent bath: metal in mol/m³, liquid in m³, metal on the cathode in mol.
type beaker struct {
	concentration, volume, plated float64
	valence                       float64
	efficiency, transfer, area    float64
}

// fall is dc/dt in mol/(m³·s) under current amperes: what the current asks for, or what
// the bath brings, whichever is less.
func (b beaker) fall(c, amperes float64) float64 {
	const coulombsPerMole = 96485.33212 // CODATA 2018 and 2022
	asked := b.efficiency * amperes / (b.valence * coulombsPerMole * b.volume)
	brought := b.transfer * b.area * c / b.volume
	if b.transfer == 0 {
		brought = math.Inf(1)
	}
	if c <= 0 {
		return 0
	}
	return math.Min(asked, brought)
}

// pass integrates over seconds under current(t), by the embedded pair of Bogacki and Shampine
// (Appl. Math. Lett. 2 (1989) 321), third order, with its step kept so small that the pair agrees to tolerance.
func (b *beaker) pass(current func(t float64) float64, seconds float64) {
	const tolerance, longest = 1e-11, 20 // s: while the bath limits, the pair does not see the current, and would step over its lows
	before := b.concentration
	t, c, h := 0.0, b.concentration, math.Min(1, seconds)
	for t < seconds {
		h = math.Min(math.Min(h, longest), seconds-t)
		k1 := b.fall(c, current(t))
		k2 := b.fall(c-h/2*k1, current(t+h/2))
		k3 := b.fall(c-3*h/4*k2, current(t+3*h/4))
		next := c - h*(2*k1+3*k2+4*k3)/9
		k4 := b.fall(next, current(t+h))
		gap := h * math.Abs(-5*k1/72+k2/12+k3/9-k4/8)
		limit := tolerance * math.Max(before, 1e-6)
		if gap > limit && h > 1e-6 {
			h *= math.Max(0.2, 0.9*math.Cbrt(limit/gap))
			continue
		}
		t, c = t+h, math.Max(next, 0)
		h *= math.Min(4, 0.9*math.Cbrt(limit/math.Max(gap, 1e-300)))
	}
	b.plated += (before - c) * b.volume
	b.concentration = c
}

func order(t interface{ Fatal(...any) }, volume, gramsPerLitre, efficiency, transfer, area, amperes float64) *bath.Plan {
	given := matter.GivenFigure
	o := bath.Order{
		Contents: bath.Contents{Metal: "Zn", Medium: matter.Sulfate, Volume: given(volume, 0), Concentration: given(gramsPerLitre, 0)},
		Target:   bath.Target{Form: bath.Recover, Value: given(0.85, 0)},
		Efficiency: bath.Efficiency{
			Fraction: given(efficiency, 0), MassTransfer: given(transfer, 0),
		},
		Conditions: bath.Conditions{Current: given(amperes, 0), CathodeArea: given(area, 0)},
	}
	if transfer == 0 {
		o.Efficiency.MassTransfer = matter.Figure{}
	}
	plan, err := bath.NewPlan(o)
	if err != nil {
		t.Fatal(err)
	}
	return plan
}

const zincMolar = 65.38e-3 // kg/mol, CIAAW 2021

// TestDrawdownAgainstIndependentSolver runs the model in steps of the daemon's usual
// second, or coarser, under currents that wander, and the solver beside it.
func TestDrawdownAgainstIndependentSolver(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		volume := rapid.Float64Range(2e-4, 5e-3).Draw(t, "volume")
		grams := rapid.Float64Range(1, 80).Draw(t, "g/L")
		efficiency := rapid.Float64Range(0.2, 1).Draw(t, "efficiency")
		area := rapid.Float64Range(2e-3, 3e-2).Draw(t, "area")
		transfer := rapid.SampledFrom([]float64{0, 3e-6, 1e-5, 5e-5}).Draw(t, "transfer")
		mean := rapid.Float64Range(0.2, 8).Draw(t, "amperes")
		swing := rapid.SampledFrom([]float64{0, 0.3}).Draw(t, "swing")
		hours := rapid.Float64Range(0.2, 12).Draw(t, "hours")
		period := rapid.Float64Range(900, 7200).Draw(t, "period")
		if held := grams * volume / zincMolar; transfer == 0 && efficiency*mean*hours*3600*1.3/(2*96485) > 0.95*held {
			t.Skip("without a transfer limit the solver would stumble over the bare bottom of the bath")
		}
		current := func(s float64) float64 { return mean * (1 + swing*math.Sin(2*math.Pi*s/period)) }

		plan := order(t, volume, grams, efficiency, transfer, area, mean)
		steps := int(hours * 3600 / 10)
		const step = 10.0
		for i := range steps {
			from, to := float64(i)*step, float64(i+1)*step
			plan.Model.Step(step*(current(from)+current(to))/2, step)
		}
		own := beaker{concentration: grams / zincMolar, volume: volume, valence: 2, efficiency: efficiency, transfer: transfer, area: area}
		own.pass(current, float64(steps)*step)

		// The trapezoid of a sine of 900 s in steps of 10 s is good to (2π·10/900)²/12 of the swing.
		tolerance := 1e-7 + swing*1e-3
		if got := plan.Standing(mean).Deposit / zincMolar; math.Abs(got-own.plated) > tolerance*own.plated+1e-9*own.concentration*volume {
			t.Fatalf("%.10g mol won by the model, %.10g by the solver", got, own.plated)
		}
		if got := plan.Model.Catholyte().Concentration(); math.Abs(got-own.concentration) > 2*tolerance*grams/zincMolar {
			t.Fatalf("%.10g mol/m³ left by the model, %.10g by the solver", got, own.concentration)
		}
	})
}

// TestPlannedChargeAgainstIndependentSolver: passing the planned charge wins the planned share.
func TestPlannedChargeAgainstIndependentSolver(t *testing.T) {
	for _, transfer := range []float64{0, 3e-6, 1e-5, 4e-5} {
		for _, amperes := range []float64{0.5, 3, 9} {
			plan := order(t, 0.9e-3, 63, 0.88, transfer, 60e-4, amperes)
			own := beaker{concentration: 63 / zincMolar, volume: 0.9e-3, valence: 2, efficiency: 0.88, transfer: transfer, area: 60e-4}
			own.pass(func(float64) float64 { return amperes }, plan.Goal.Duration.Value)
			if share := own.plated * zincMolar / (63 * 0.9e-3); math.Abs(share-0.85) > 1e-6 {
				t.Errorf("k_m %g m/s, %g A: the planned charge wins %.8f of the metal, 0.85 was asked for", transfer, amperes, share)
			}
			if charge := amperes * plan.Goal.Duration.Value; math.Abs(charge/plan.Goal.Charge.Value-1) > 1e-12 {
				t.Errorf("k_m %g m/s, %g A: charge and duration disagree", transfer, amperes)
			}
		}
	}
}

// TestBalanceUnderRandomEntries keeps a second set of books, in kg and m³, while additions,
// samples, water and assays come in between stretches of current in any order.
func TestBalanceUnderRandomEntries(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		const volume, grams, area, amperes = 0.9e-3, 63.0, 60e-4, 3.0
		transfer := rapid.SampledFrom([]float64{0, 1e-5}).Draw(t, "transfer")
		plan := order(t, volume, grams, 0.88, transfer, area, amperes)
		own := beaker{concentration: grams / zincMolar, volume: volume, valence: 2, efficiency: 0.88, transfer: transfer, area: area}
		in, out, found := grams*volume, 0.0, 0.0 // kg put in, taken with samples, found by assays

		for range rapid.IntRange(1, 12).Draw(t, "entries") {
			switch rapid.SampledFrom([]string{"current", "metal", "salt", "sample", "evaporation", "top-up", "assay"}).Draw(t, "entry") {
			case "current":
				seconds := float64(rapid.IntRange(1, 3600).Draw(t, "seconds"))
				plan.Model.Step(amperes*seconds, seconds)
				own.pass(func(float64) float64 { return amperes }, seconds)
			case "metal":
				kilograms, liquid := rapid.Float64Range(0, 0.02).Draw(t, "kg"), rapid.Float64Range(0, 1e-4).Draw(t, "m³")
				if err := plan.AddMetal(kilograms, liquid); err != nil {
					t.Fatal(err)
				}
				own.add(kilograms/zincMolar, liquid)
				in += kilograms
			case "salt":
				kilograms := rapid.Float64Range(0.001, 0.05).Draw(t, "kg of ZnSO4·7H2O")
				salt := bath.Salt{Formula: "ZnSO4·7H2O", Mass: matter.GivenFigure(kilograms, 0)}
				metal, err := plan.AddSalt(salt, 0)
				if err != nil {
					t.Fatal(err)
				}
				// 287.55 g/mol: any catalogue.
				if share := metal / kilograms; math.Abs(share-65.38/287.55) > 2e-5 {
					t.Fatalf("zinc is %.6f of its sulfate heptahydrate, want 0.22737", share)
				}
				own.add(metal/zincMolar, 0)
				in += metal
			case "sample":
				liquid := rapid.Float64Range(1e-7, 2e-5).Draw(t, "m³")
				metal, err := plan.TakeSample(liquid)
				if err != nil {
					t.Fatal(err)
				}
				if want := own.concentration * liquid * zincMolar; math.Abs(metal-want) > 1e-6*want+1e-15 {
					t.Fatalf("the sample holds %.9g kg, want %.9g", metal, want)
				}
				own.volume -= liquid
				out += metal
			case "evaporation":
				own.water(t, plan, -rapid.Float64Range(0, 0.05).Draw(t, "share")*own.volume)
			case "top-up":
				own.water(t, plan, rapid.Float64Range(0, 1e-4).Draw(t, "m³"))
			case "assay":
				measured := own.concentration * zincMolar * rapid.Float64Range(0.9, 1.1).Draw(t, "factor")
				difference, err := plan.BookAssay(matter.GivenFigure(measured, 0))
				if err != nil {
					t.Fatal(err)
				}
				if want := (measured - own.concentration*zincMolar) * own.volume; math.Abs(difference-want) > 1e-6*in {
					t.Fatalf("the assay is off by %.9g kg, want %.9g", difference, want)
				}
				own.concentration = measured / zincMolar
				found += difference
			}
			b := plan.Balance()
			close := func(what string, got, want float64) {
				if math.Abs(got-want) > 1e-6*in {
					t.Fatalf("%s: %.10g kg in the package's books, %.10g in mine", what, got, want)
				}
			}
			close("supplied", b.Supplied, in)
			close("samples", b.Samples, out)
			close("unaccounted", b.Unaccounted, found)
			close("deposit", b.Deposit, own.plated*zincMolar)
			close("bath", b.Bath, own.concentration*own.volume*zincMolar)
			if gap := b.Supplied + b.Unaccounted - b.Deposit - b.Bath - b.Samples; math.Abs(gap) > 1e-12*in {
				t.Fatalf("the balance does not close by %g kg", gap)
			}
		}
	})
}

func (b *beaker) add(mol, liquid float64) {
	held := b.concentration*b.volume + mol
	b.volume += liquid
	b.concentration = held / b.volume
}

func (b *beaker) water(t *rapid.T, plan *bath.Plan, volume float64) {
	if err := plan.Model.Catholyte().Water(volume); err != nil {
		t.Fatal(err)
	}
	b.add(0, volume)
}
