package bath

import (
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// TestBeginnersManganese: common practice, no source: a beginner's divided manganese cell in plain sulfate works nearer 10 %
// than 80 %. Without a stated efficiency the plan's range holds that figure, its best guess is nearer to it, and the
// answer is as wide.
func TestBeginnersManganese(t *testing.T) {
	const beginner, expert = 0.10, 0.80
	o := Order{
		Contents:   Contents{Metal: "Mn", Medium: matter.Sulfate, Volume: given(1e-3), Concentration: given(35), Divided: true},
		Target:     Target{Recover, given(0.44)},
		Conditions: Conditions{Current: given(3), CathodeArea: given(60e-4)},
	}
	p := mustPlan(t, o)
	e := p.Efficiency
	if !(e.Low < beginner && beginner < e.High) || math.Abs(e.Value-beginner) > math.Abs(e.Value-expert) {
		t.Errorf("efficiency %.3g, %.3g to %.3g", e.Value, e.Low, e.High)
	}
	// By hand: 0.44·35 g take 2·96485.332 C/mol·15.4/54.938 mol = 54.09 kC at 100 %.
	const theory = 2 * 96485.332 * 15.4 / 54.938
	g := p.Goal
	if !(g.Low < theory/expert && theory/beginner < g.High) {
		t.Errorf("charge from %.4g to %.4g C; at 80 %% %.4g, at 10 %% %.4g", g.Low, g.High, theory/expert, theory/beginner)
	}
	if won := 0.0154 * beginner / e.Value; !(g.Deposit.Low < won && won < g.Deposit.High) {
		t.Errorf("deposit from %.3g to %.3g kg, at 10 %% %.3g", g.Deposit.Low, g.Deposit.High, won)
	}
	if hours := theory / beginner / 3; !(g.Duration.Low < hours && hours < g.Duration.High) {
		t.Errorf("from %.3g to %.3g s, at 10 %% %.3g", g.Duration.Low, g.Duration.High, hours)
	}
	if notes := strings.Join(p.Notes, " "); !strings.Contains(notes, "3 to 86 %") || !strings.Contains(notes, "buffer the bath") || strings.Contains(notes, "divide the cell") {
		t.Errorf("notes %q", notes)
	}
}

// TestExpertsEfficiency: with every condition shown the efficiency is the middle of what experts reach, with a doubt to both
// sides; one thing less opens it downwards to the figure of the table, and what is missing is named.
func TestExpertsEfficiency(t *testing.T) {
	expert := zincOrder() // 3 A on 60 cm2 are 500 A/m2
	expert.Efficiency = Efficiency{}
	expert.Contents.Purified, expert.Contents.Divided = true, true
	expert.Conditions.Temperature = given(308.15)
	p := mustPlan(t, expert)
	if math.Abs(p.Efficiency.Value-0.905) > 1e-12 || p.Efficiency.Skewed() || p.Goal.Charge.Skewed() || p.Efficiency.Mark != matter.Assumed || p.Efficiency.StandardUncertainty < 0.03 || p.Missing != nil {
		t.Errorf("efficiency %+v, want the middle of 89 to 92 %%, assumed; missing %v", p.Efficiency, p.Missing)
	}
	// Lu, Guo, Dreisinger and Downing, Journal of Metallurgical Engineering 2(3), 2013, abstract: 93.74 to 92.93 % at 450
	// to 750 A/m2 with 0.4 mg/L of nickel.
	for _, published := range []float64{0.9374, 0.9293} { // outside: lu-2013 2(3), abstract
		if math.Abs(published-p.Efficiency.Value) > 2*p.Efficiency.StandardUncertainty {
			t.Errorf("%.4g lies outside of %.3g ± %.2g", published, p.Efficiency.Value, 2*p.Efficiency.StandardUncertainty)
		}
	}
	for condition, spoil := range map[matter.Condition]func(*Order){
		matter.Purified:         func(o *Order) { o.Contents.Purified = false },
		matter.Divided:          func(o *Order) { o.Contents.Divided = false },
		matter.RightTemperature: func(o *Order) { o.Conditions.Temperature = given(293.15) },
		matter.RightDensity:     func(o *Order) { o.Conditions.Current.Mark = matter.Assumed },
	} {
		o := expert
		spoil(&o)
		p := mustPlan(t, o)
		if len(p.Missing) != 1 || p.Missing[0].Condition != condition || p.Efficiency.Low != p.Missing[0].Lowest || p.Efficiency.High != 0.92 {
			t.Errorf("without %s: %+v, missing %v", condition, p.Efficiency, p.Missing)
		}
		if g := p.Goal; !g.Charge.Skewed() || g.Charge.High-g.Charge.Value < 1.05*(g.Charge.Value-g.Charge.Low) {
			t.Errorf("without %s: charge %+v", condition, g.Charge)
		}
	}
}

// TestShownConditionsNarrow: in every window of the table, one more condition shown never widens the efficiency; all of them
// leave an expert's; the limits are in order and within what the charge can win.
func TestShownConditionsNarrow(t *testing.T) {
	windows := 0
	for _, metal := range matter.Metals() {
		for _, w := range metal.Windows {
			if !w.Efficiency.Known() {
				continue
			}
			windows++
			for _, need := range w.Needs {
				known := need.Condition != matter.RightDensity || w.CurrentDensity.Known()
				if known = known && (need.Condition != matter.RightTemperature || w.Temperature.Known()); !known || need.Lowest > w.Efficiency.Low || !(need.Lowest > 0) {
					t.Errorf("%s in %v: %+v cannot be shown, or lies above an expert's lowest", metal, w.Media, need)
				}
			}
			if len(w.Needs) == 0 {
				t.Errorf("%s in %v: nothing says how low a beginner's efficiency may be", metal, w.Media)
			}
			rapid.Check(t, func(t *rapid.T) {
				o, s := Order{}, Settled{}
				shown := rapid.Permutation(slices.Clone(w.Needs)).Draw(t, "order of showing")
				before, _ := o.prior(w, s)
				for i, need := range shown {
					switch need.Condition {
					case matter.Purified:
						o.Contents.Purified = true
					case matter.Divided:
						o.Contents.Divided = true
					case matter.Buffered:
						s.Ammonium = true
					case matter.RightDensity:
						o.Conditions.Current, o.Conditions.CathodeArea = given(w.CurrentDensity.Middle()), given(1)
					case matter.RightTemperature:
						o.Conditions.Temperature = given(w.Temperature.Middle())
					}
					f, missing := o.prior(w, s)
					if len(missing) != len(shown)-i-1 {
						t.Fatalf("%s shown, missing %v", need.Condition, missing)
					}
					if missing == nil {
						if f.Skewed() != (w.Efficiency.High >= 2*w.Efficiency.Low) || f.Value < w.Efficiency.Low || f.Value > w.Efficiency.High {
							t.Fatalf("an expert's efficiency is %+v", f)
						}
						return
					}
					if !(f.Low >= before.Low && f.High == before.High && f.Low <= f.Value && f.Value <= f.High && f.High <= 1) {
						t.Fatalf("%+v after %+v", f, before)
					}
					before = f
				}
			})
		}
	}
	if windows < 25 {
		t.Errorf("only %d windows", windows)
	}
}

// TestLimitsAgainstMonteCarlo: of 20 000 truths with the efficiency anywhere between its limits and the metal as doubtful
// as stated, the interval of the charge holds at least 95 %, and it is not wider than it must be: nearly all lie within the
// limits of the efficiency alone.
func TestLimitsAgainstMonteCarlo(t *testing.T) {
	o := zincOrder()
	o.Efficiency = Efficiency{}
	p := mustPlan(t, o)
	g, e := p.Goal, p.Efficiency
	inside, n := 0, 20000
	for i := range n {
		x, z := math.Mod(float64(i)*0.6180339887498949, 1), math.Mod(float64(i)*0.7548776662466927, 1) // a lattice in place of chance
		charge := g.Charge.Value * e.Value / (e.Low * math.Pow(e.High/e.Low, x)) * (1 + p.Amount.Relative()*math.Sqrt(12)*(z-0.5))
		if charge >= g.Low && charge <= g.High {
			inside++
		}
	}
	if share := float64(inside) / float64(n); share < 0.95 {
		t.Errorf("%.3g of the truths lie between %.4g and %.4g C", share, g.Low, g.High)
	}
	if most := g.Charge.Value * e.Value / e.Low; g.High > most*1.05 || g.High < most {
		t.Errorf("up to %.4g C; at the lowest efficiency %.4g", g.High, most)
	}
}
