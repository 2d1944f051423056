package learn

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/floats"
	"pgregory.net/rapid"

	"nightcell/daemon/housetest"
	"nightcell/integrate/matter"
)

func measured(value, u float64) matter.Figure {
	return matter.Figure{Value: value, StandardUncertainty: u, Mark: matter.Measured}
}

func near(t *testing.T, name string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %.6g, want %.6g ± %.2g", name, got, want, within)
	}
}

// TestEightSchools takes the eight schools of Bayesian Data Analysis, section 5.5, under the priors of the reference posteriors of
// posteriordb: the middle normal (0, 5), the spread half-Cauchy (5). These are of a simulation, good to 0.06.
func TestEightSchools(t *testing.T) {
	y, u := []float64{28, 8, -3, 7, -1, 1, 18, 12}, []float64{15, 10, 16, 11, 9, 11, 10, 18}
	var told []normal
	for i := range y {
		told = append(told, normal{y[i], u[i]})
	}
	m := integrated(normal{0, 5}, func(chance float64) float64 { return 5 * math.Tan(chance*math.Pi/2) }, told)
	schools := make([]float64, len(y))
	var middle float64
	for i, w := range m.weights {
		middle += w * m.nexts[i].mean
		for j := range y { // the school's own figure, drawn to a middle of which all schools tell
			share := m.spreads[i] * m.spreads[i] / (m.spreads[i]*m.spreads[i] + u[j]*u[j])
			schools[j] += w * (share*y[j] + (1-share)*m.nexts[i].mean)
		}
	}
	near(t, "middle", middle, 4.411, 0.06)                                                   // outside: posteriordb eight_schools_noncentered, mean of mu, 28f8d3d
	near(t, "spread", floats.Dot(m.weights, m.spreads), 3.602, 0.06)                         // outside: posteriordb eight_schools_noncentered, mean of tau, 28f8d3d
	for j, want := range []float64{6.151, 4.940, 3.906, 4.796, 3.614, 4.051, 6.317, 4.884} { // outside: posteriordb eight_schools_noncentered, means of theta 1 to 8
		near(t, fmt.Sprintf("school %d", j+1), schools[j], want, 0.07)
	}
}

// TestQuantile: the next run's range by draws from the same model.
func TestQuantile(t *testing.T) {
	told := []normal{{1, 0.2}, {2, 0.3}, {1.6, 0.1}}
	m := integrated(normal{0, 2}, halfNormal(0.5), told)
	rng := rand.New(rand.NewPCG(1, 2))
	var weights, total float64
	q := m.quantile(0.9)
	for range 400_000 { // importance: the prior, weighed by how well it tells the runs
		tau, mu := math.Abs(rng.NormFloat64())*0.5, 2*rng.NormFloat64()
		w := 1.0
		for _, y := range told {
			v := y.deviation*y.deviation + tau*tau
			w *= math.Exp(-(y.mean-mu)*(y.mean-mu)/(2*v)) / math.Sqrt(v)
		}
		total += w
		if mu+tau*rng.NormFloat64() < q {
			weights += w
		}
	}
	near(t, "chance below the quantile", weights/total, 0.9, 0.01)
}

// TestStaysWhereItCan: whatever was measured, the next efficiency lies between 0 and 1, and its range holds its middle.
func TestStaysWhereItCan(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		share := rapid.Float64Range(0.01, 1.1)
		var runs []Run
		for range rapid.IntRange(1, 12).Draw(t, "runs") {
			runs = append(runs, Run{Efficiency: measured(share.Draw(t, "efficiency"), rapid.Float64Range(0, 0.2).Draw(t, "u"))})
		}
		n := From(Prior{Efficiency: matter.Figure{Value: 0.6, Low: 0.3, High: 0.95, Mark: matter.Assumed}}, runs).Efficiency
		if f := n.Figure; n.Runs > 0 && !(0 < f.Low && f.Low < f.Value && f.Value < f.High && f.High < 1) {
			t.Fatalf("%+v", f)
		}
	})
}

// TestCannotBe: an efficiency that no doubt brings below 1 teaches nothing.
func TestCannotBe(t *testing.T) {
	l := From(Prior{}, []Run{{Efficiency: measured(1.5, 0.01), Volts: measured(3, 0.01)}})
	if l.Efficiency.Runs != 0 || l.Efficiency.Figure.Known() || l.Volts.Runs != 1 || math.Abs(l.Volts.Figure.Value-3) > 1e-3 {
		t.Errorf("%+v", l)
	}
}

// hidden is a cell of which nobody knows how it works: its middle, how its runs scatter (not normal), and what they drift with.
type hidden struct {
	rng            *rand.Rand
	middle, spread float64
}

func (h *hidden) truth() float64 {
	loss := (1 - h.middle) * math.Exp(h.spread*(h.rng.Float64()+h.rng.Float64()-1)*math.Sqrt(6)) // a triangle, of what is lost
	return math.Max(1-loss, 0.02)
}

func (h *hidden) run() Run {
	truth, u := h.truth(), 0.004+0.016*h.rng.Float64()
	return Run{Efficiency: measured(truth+u*h.rng.NormFloat64(), u)}
}

// TestNextRunIsCovered: the 95 % range of the next run of hidden cells holds its truth 95 ± 2.5 % of the time or more often, after each
// number of runs from 1 to 10, and is narrower after ten runs than after one.
func TestNextRunIsCovered(t *testing.T) {
	const most = 10
	seeds := housetest.Thinned(200)
	prior := Prior{Efficiency: matter.Figure{Value: 0.58, Low: 0.35, High: 0.95, Mark: matter.Assumed}} // zinc, of which nothing is shown
	var inside [most + 1]int
	var width [most + 1]float64
	for seed := range uint64(seeds) {
		rng := rand.New(rand.NewPCG(seed, 12))
		h := hidden{rng, 0.6 + 0.36*rng.Float64(), 0.05 + 0.4*rng.Float64()}
		var runs []Run
		for n := 1; n <= most; n++ {
			runs = append(runs, h.run())
			next := From(prior, runs).Efficiency.Figure
			if truth := h.truth(); next.Low <= truth && truth <= next.High {
				inside[n]++
			}
			width[n] += next.High - next.Low
		}
	}
	for n := 1; n <= most; n++ {
		share := float64(inside[n]) / float64(seeds)
		t.Logf("after %2d runs: %.1f %% inside, mean width %.1f points", n, 100*share, 100*width[n]/float64(seeds))
		if share < 0.925 {
			t.Errorf("after %d runs the range holds the truth %.1f %% of the time", n, 100*share)
		}
	}
	if !(width[most] < 0.75*width[1]) {
		t.Errorf("the range is %.3g points wide after one run and %.3g after ten", 100*width[1]/float64(seeds), 100*width[most]/float64(seeds))
	}
}

// TestChanges: a cathode that was exchanged goes with a better efficiency, together with the area that it brought; the temperature does not.
func TestChanges(t *testing.T) {
	var runs []Run
	for i := range 8 {
		r := Run{Efficiency: measured(0.80, 0.005), Area: measured(60e-4, 0), Temperature: measured(293+3*float64(i%2), 0), Cathode: "aluminium", Medium: "chloride"}
		if i >= 4 {
			r.Efficiency.Value, r.Area.Value, r.Cathode = 0.92, 80e-4, "zinc"
		}
		r.Efficiency.Value += 0.004 * float64(i%3-1)
		runs = append(runs, r)
	}
	all := map[Condition]Change{}
	for _, c := range From(Prior{}, runs).Changes {
		all[c.Condition] = c
	}
	area, cathode, warm := all[Area], all[Cathode], all[Temperature]
	if len(all) != 3 || !area.Told() || !cathode.Told() || warm.Told() || len(cathode.With) != 1 || cathode.With[0] != Area || warm.With != nil {
		t.Errorf("%+v", all)
	}
	near(t, "difference", cathode.Difference.Value, 0.12, 0.01)
	if area.From != 60e-4 || area.To != 80e-4 || cathode.Words[1] != "zinc" {
		t.Errorf("%+v %+v", area, cathode)
	}
	if got := From(Prior{}, append(runs, Run{Efficiency: measured(0.9, 0.01), Medium: "chloride"})).Changes; len(got) != 0 {
		t.Errorf("a run does not tell its area, temperature and cathode, and yet these changed: %+v", got)
	}
}
