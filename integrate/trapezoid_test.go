package integrate

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	reference "gonum.org/v1/gonum/integrate"
)

// charge integrates a current given at times in seconds that are exact in nanoseconds.
func charge(t *testing.T, at, amperes []float64) Totals {
	t.Helper()
	c := NewCoulometer(Settings{})
	for i := range at {
		if _, err := c.Add(Sample{At: time.Duration(math.Round(at[i] * 1e9)), Volts: 2, Amperes: amperes[i]}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	return c.Totals()
}

func tabulate(f func(float64) float64, from, to float64, n int) (at, y []float64) {
	for i := range n + 1 {
		x := from + (to-from)*float64(i)/float64(n)
		at, y = append(at, x), append(y, f(x))
	}
	return at, y
}

// TestPrintedTrapezoids: OpenStax Calculus Volume 2, 3.6 Numerical Integration.
func TestPrintedTrapezoids(t *testing.T) {
	for _, c := range []struct {
		name      string
		f         func(float64) float64
		from, to  float64
		n         int
		want      float64
		tolerance float64
	}{
		{"x squared, T4", func(x float64) float64 { return x * x }, 0, 1, 4, 11.0 / 32, 0},      // outside: calculus-2 3.6
		{"1/x, T2", func(x float64) float64 { return 1 / x }, 1, 2, 2, 17.0 / 24, 1e-15},        // outside: calculus-2 3.6
		{"3x²−2x, T16", func(x float64) float64 { return 3*x*x - 2*x }, 1, 5, 16, 100.125, 0},   // outside: calculus-2 3.6
		{"x cubed, T4", func(x float64) float64 { return x * x * x }, 0, 0.8, 4, 0.1088, 1e-15}, // outside: calculus-2 3.6
		// Printed as an error of about 0.000325 from 1 − 2/e.
		{"x e^−x, T16", func(x float64) float64 { return x * math.Exp(-x) }, 0, 1, 16, 1 - 2/math.E - 0.00032547, 1e-8}, // outside: calculus-2 3.6
	} {
		at, y := tabulate(c.f, c.from, c.to, c.n)
		if got := charge(t, at, y).Charge; math.Abs(got-c.want) > c.tolerance {
			t.Errorf("%s: %.12g, printed %.12g", c.name, got, c.want)
		}
	}
	// The tabulated lot: printed as about 89 250 m².
	at, _ := tabulate(math.Sqrt, 0, 1000, 10)
	if got := charge(t, at, []float64{125, 125, 120, 112, 90, 90, 95, 88, 75, 35, 0}).Charge; got != 89250 { // outside: calculus-2 3.6
		t.Errorf("the lot: %v m², printed 89250", got)
	}
}

// TestErrorBounds: the same source's bound (b−a)h²M/12, and the least numbers of steps printed for 0.0001.
func TestErrorBounds(t *testing.T) {
	for _, c := range []struct {
		name             string
		f                func(float64) float64
		from, to, second float64 // the largest second derivative
		exact            float64
		least            int
	}{
		{"5x²+8", func(x float64) float64 { return 5*x*x + 8 }, 1, 4, 10, 129, 475},       // outside: calculus-2 3.6
		{"2x³+4x", func(x float64) float64 { return 2*x*x*x + 4*x }, 2, 3, 36, 42.5, 174}, // outside: calculus-2 3.6
	} {
		bound := func(n int) float64 { h := (c.to - c.from) / float64(n); return (c.to - c.from) * h * h * c.second / 12 }
		if bound(c.least) > 1e-4 || bound(c.least-1) <= 1e-4 {
			t.Errorf("%s: %d steps are not the least for 0.0001", c.name, c.least)
		}
		at, y := tabulate(c.f, c.from, c.to, c.least)
		if got := charge(t, at, y).Charge; math.Abs(got-c.exact) > 1e-4 {
			t.Errorf("%s with %d steps: %v, exact %v", c.name, c.least, got, c.exact)
		}
	}
}

// jittered returns times from 0 to end whose steps vary by half either way.
func jittered(rng *rand.Rand, end, step float64) []float64 {
	at := []float64{0}
	for last := 0.0; last < end; at = append(at, last) {
		last = math.Min(end, math.Round((last+step*(0.5+rng.Float64()))*1e9)/1e9)
	}
	return at
}

// TestClosedForms integrates currents whose charge is known in closed form, on
// jittered samples; the tolerance is the trapezoid's own bound (b−a)h²M/12 with the longest step.
func TestClosedForms(t *testing.T) {
	const end, step = 3600.0, 2.0
	rng := rand.New(rand.NewPCG(1, 1))
	for _, c := range []struct {
		name   string
		f      func(s float64) float64
		exact  float64
		second float64
	}{
		{"steady", func(float64) float64 { return 3 }, 3 * end, 0},
		{"ramp", func(s float64) float64 { return 5 - s/1000 }, 5*end - end*end/2000, 0},
		{"taper", func(s float64) float64 { return 4 * math.Exp(-s/900) }, 4 * 900 * -math.Expm1(-end/900), 4 / (900.0 * 900)},
		{"wave", func(s float64) float64 { return 3 + math.Sin(2*math.Pi*s/60) }, 3 * end, math.Pow(2*math.Pi/60, 2)},
	} {
		at := jittered(rng, end, step)
		y := make([]float64, len(at))
		for i, s := range at {
			y[i] = c.f(s)
		}
		bound := end*math.Pow(1.5*step, 2)*c.second/12 + 1e-12*math.Abs(c.exact)
		got := charge(t, at, y)
		if miss := math.Abs(got.Charge - c.exact); miss > bound {
			t.Errorf("%s: %v C, exact %v C: off by more than %v C", c.name, got.Charge, c.exact, bound)
		}
		if want := reference.Trapezoidal(at, y); math.Abs(got.Charge-want) > 1e-12*math.Abs(want) {
			t.Errorf("%s: %.17g C, gonum %.17g C", c.name, got.Charge, want)
		}
		// The stated sampling part must cover what sampling really cost.
		if miss := math.Abs(got.Charge - c.exact); miss > 1e-9 && miss > CoverageFactor*got.Budget.Sampling {
			t.Errorf("%s: off by %v C, but sampling is said to cost %v C", c.name, miss, got.Budget.Sampling)
		}
	}
}

// TestEnergyIsExactForStraightLines: v = 2 + t/10, i = 3 − t/5 over 4 s in one step:
// ∫(6 − 0.1t − 0.02t²) dt = 24 − 0.8 − 0.02·64/3.
func TestEnergyIsExactForStraightLines(t *testing.T) {
	c := NewCoulometer(Settings{})
	var step Step
	for _, s := range []float64{0, 4} {
		var err error
		if step, err = c.Add(Sample{At: time.Duration(s * 1e9), Volts: 2 + s/10, Amperes: 3 - s/5}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	want := 24 - 0.8 - 0.02*64/3
	if math.Abs(step.Joules-want) > 1e-14 || c.Totals().Energy != step.Joules {
		t.Errorf("%v J, want %v J", step.Joules, want)
	}
	if trapezoid := 4 * (2*3 + 2.4*2.2) / 2; math.Abs(trapezoid-want) < 0.01 {
		t.Error("the trapezoid on v·i is as good here: the test shows nothing")
	}
}

func TestRefusedSamplesChangeNothing(t *testing.T) {
	c := NewCoulometer(Settings{})
	for i := range 3 {
		if _, err := c.Add(Sample{At: time.Duration(i) * time.Second, Volts: 3, Amperes: 3}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	before := c.State()
	for _, s := range []struct {
		Sample
		want error
	}{
		{Sample{At: 3e9, Volts: math.NaN(), Amperes: 3}, errNotANumber},
		{Sample{At: 3e9, Volts: 3, Amperes: math.NaN()}, errNotANumber},
		{Sample{At: 3e9, Volts: 3, Amperes: math.Inf(-1)}, errNotANumber},
		{Sample{At: 3e9, Volts: 9.91e37, Amperes: 3}, errNotANumber}, // SCPI-1999, 7.2.1.5: not a number
		{Sample{At: 3e9, Volts: 3, Amperes: -9.9e37}, errNotANumber}, // and negative infinity
		{Sample{At: 2e9, Volts: 3, Amperes: 3}, errTimeOrder},
		{Sample{At: 1e9, Volts: 3, Amperes: 3}, errTimeOrder},
	} {
		if _, err := c.Add(s.Sample, Evidence{}); err != s.want {
			t.Errorf("%+v: %v, want %v", s.Sample, err, s.want)
		}
	}
	if !c.State().Equal(before) {
		t.Errorf("refused samples left a trace: %+v", c.State())
	}
}
