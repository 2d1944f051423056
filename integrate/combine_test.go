package integrate

import (
	"fmt"
	"math"
	"testing"
	"time"
)

// combine is the reference that the budget is held against, itself checked on the examples of
// the guide below. It returns the combined standard uncertainty of a figure y = f(x1 … xn) by
// the law of propagation (JCGM 100, 5.2.2):
//
//	u²(y) = Σi Σj ci·cj·u(xi)·u(xj)·r(xi,xj)
//
// sensitivities are the ci = ∂f/∂xi, standard the u(xi), and correlation the matrix
// of r, symmetric with ones on its diagonal; nil means that the inputs are independent. The
// lengths must match.
func combine(sensitivities, standard []float64, correlation [][]float64) (float64, error) {
	cov, err := covariance(sensitivities, sensitivities, standard, correlation)
	if err != nil {
		return 0, err
	}
	// Perfectly anticorrelated inputs may cancel to a rounding below zero.
	return math.Sqrt(max(cov, 0)), nil
}

// covariance returns that of two figures which depend on the same inputs with the
// sensitivities a and b (JCGM 100, H.2.3). Divided by both standard uncertainties it is
// their correlation coefficient.
func covariance(a, b, standard []float64, correlation [][]float64) (float64, error) {
	n := len(standard)
	if len(a) != n || len(b) != n || (correlation != nil && len(correlation) != n) {
		return 0, fmt.Errorf("integrate: %d and %d sensitivities, %d uncertainties, %d rows of correlation: the numbers must be equal",
			len(a), len(b), n, len(correlation))
	}
	var sum Sum
	for i := range n {
		if standard[i] < 0 || math.IsNaN(standard[i]) {
			return 0, fmt.Errorf("integrate: standard uncertainty %d is %v; it must not be negative", i, standard[i])
		}
		if correlation == nil {
			sum.Add(a[i] * b[i] * standard[i] * standard[i])
			continue
		}
		if len(correlation[i]) != n {
			return 0, fmt.Errorf("integrate: row %d of the correlation has %d figures; %d are needed", i, len(correlation[i]), n)
		}
		for j, r := range correlation[i] {
			if !(r >= -1 && r <= 1) || (i == j && r != 1) || (len(correlation[j]) == n && r != correlation[j][i]) {
				return 0, fmt.Errorf("integrate: correlation %d,%d is %v; it must lie within -1 and 1, be alike both ways, and be 1 with itself", i, j, r)
			}
			sum.Add(a[i] * b[j] * standard[i] * standard[j] * r)
		}
	}
	return sum.Value(), nil
}

// TestBudgetIsTheLawOfPropagation sets the budget of a run against JCGM 100, 5.2.2, over
// every reading as an input of its own, with the whole matrix of correlations: gain and offset are
// the same error in all readings, roundings are each their own.
func TestBudgetIsTheLawOfPropagation(t *testing.T) {
	s := Settings{GainRelative: 0.002, OffsetAmperes: 0.005, ResolutionAmperes: 0.01}
	c := NewCoulometer(s)
	const n = 30
	var at [n]time.Duration
	var amperes [n]float64
	for i := range n {
		amperes[i] = 3 + 0.01*float64(i*i%7+i%2*9) // no two alike in a row
		if i > 0 {
			at[i] = at[i-1] + time.Second + time.Duration(i*37%11)*100*time.Millisecond
		}
		if _, err := c.Add(Sample{At: at[i], Volts: 3, Amperes: amperes[i]}, Evidence{}); err != nil {
			t.Fatal(err)
		}
	}
	var sensitivities, standard []float64
	for source := range 3 {
		for i := range n {
			weight := seconds(at[min(i+1, n-1)]-at[max(i-1, 0)]) / 2 // of a reading in the trapezoid
			u := []float64{s.GainRelative / math.Sqrt(3) * amperes[i], s.OffsetAmperes / math.Sqrt(3), s.ResolutionAmperes / math.Sqrt(12)}[source]
			sensitivities, standard = append(sensitivities, weight), append(standard, u)
		}
	}
	correlation := make([][]float64, 3*n)
	for i := range correlation {
		correlation[i] = make([]float64, 3*n)
		for j := range correlation[i] {
			if i == j || i/n == j/n && i/n < 2 {
				correlation[i][j] = 1
			}
		}
	}
	want, err := combine(sensitivities, standard, correlation)
	if err != nil {
		t.Fatal(err)
	}
	b := c.Totals().Budget
	b.Sampling = 0 // it comes from the shape of the current, not from a reading
	if got := b.combined(); math.Abs(got-want) > 1e-12*want {
		t.Errorf("the budget gives %v C, the law of propagation %v C", got, want)
	}
}

// TestEndGauge: JCGM 100:2008, H.1; u in nm. Published: combined 32 nm.
func TestEndGauge(t *testing.T) {
	const length, deltaAlpha, alpha = 50e6, 1e-6, 11.5e-6 // nm, 1/°C
	// ls; d by three parts; δα rectangular ±1e-6 with θ = −0.1; δθ rectangular ±0.05.
	c := []float64{1, 1, 1, 1, -length * -0.1, -length * alpha}
	u := []float64{25, 5.8, 3.9, 6.7, deltaAlpha / math.Sqrt(3), 0.05 / math.Sqrt(3)}
	got, err := combine(c, u, nil)
	if err != nil || math.Abs(got-31.664) > 0.001 || math.Round(got) != 32 { // outside: jcgm-100 H.1
		t.Errorf("%v nm, %v; published 32 nm", got, err)
	}
}

// TestResistanceAndReactance: JCGM 100:2008, H.2: five simultaneous readings of
// voltage, current and phase, correlated by nature.
func TestResistanceAndReactance(t *testing.T) {
	readings := [3][5]float64{
		{5.007, 4.994, 5.005, 4.990, 4.999},                     // V
		{19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3}, // A
		{1.0456, 1.0438, 1.0468, 1.0428, 1.0433},                // rad
	}
	var mean, u [3]float64
	r := make([][]float64, 3)
	for i, x := range readings {
		var s Sum
		for _, v := range x {
			s.Add(v)
		}
		mean[i] = s.Value() / 5
	}
	cov := func(i, j int) float64 {
		var s Sum
		for k := range 5 {
			s.Add((readings[i][k] - mean[i]) * (readings[j][k] - mean[j]))
		}
		return s.Value() / (5 * 4)
	}
	for i := range 3 {
		u[i] = math.Sqrt(cov(i, i))
	}
	for i := range 3 {
		r[i] = make([]float64, 3)
		for j := range 3 {
			r[i][j] = cov(min(i, j), max(i, j)) / (u[i] * u[j])
			if i == j {
				r[i][j] = 1
			}
		}
	}
	near := func(what string, got, want, within float64) {
		t.Helper()
		if math.Abs(got-want) > within {
			t.Errorf("%s: %v, published %v", what, got, want)
		}
	}
	near("r(V,I)", r[0][1], -0.36, 0.005) // outside: jcgm-100 H.2
	near("r(V,φ)", r[0][2], 0.86, 0.005)  // outside: jcgm-100 H.2
	near("r(I,φ)", r[1][2], -0.65, 0.005) // outside: jcgm-100 H.2

	v, i, phi := mean[0], mean[1], mean[2]
	resistance := []float64{math.Cos(phi) / i, -v * math.Cos(phi) / (i * i), -v * math.Sin(phi) / i}
	reactance := []float64{math.Sin(phi) / i, -v * math.Sin(phi) / (i * i), v * math.Cos(phi) / i}
	impedance := []float64{1 / i, -v / (i * i), 0}
	near("R", v*math.Cos(phi)/i, 127.732, 0.0005) // outside: jcgm-100 H.2
	combined := func(c []float64) float64 {
		t.Helper()
		got, err := combine(c, u[:], r)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	uR, uX, uZ := combined(resistance), combined(reactance), combined(impedance)
	near("u(R)", uR, 0.071, 0.0005) // outside: jcgm-100 H.2
	near("u(X)", uX, 0.295, 0.001)  // outside: jcgm-100 H.2
	near("u(Z)", uZ, 0.236, 0.0005) // outside: jcgm-100 H.2
	correlation := func(a, b []float64, ua, ub float64) float64 {
		t.Helper()
		got, err := covariance(a, b, u[:], r)
		if err != nil {
			t.Fatal(err)
		}
		return got / (ua * ub)
	}
	near("r(R,X)", correlation(resistance, reactance, uR, uX), -0.588, 0.001) // outside: jcgm-100 H.2
	near("r(R,Z)", correlation(resistance, impedance, uR, uZ), -0.485, 0.001) // outside: jcgm-100 H.2
	near("r(X,Z)", correlation(reactance, impedance, uX, uZ), 0.993, 0.001)   // outside: jcgm-100 H.2
}

func TestCombineRefusesNonsense(t *testing.T) {
	one, two := []float64{1}, []float64{1, 1}
	for name, call := range map[string]func() (float64, error){
		"lengths":      func() (float64, error) { return combine(one, two, nil) },
		"rows":         func() (float64, error) { return combine(two, two, [][]float64{{1, 0}}) },
		"columns":      func() (float64, error) { return combine(two, two, [][]float64{{1, 0}, {0}}) },
		"beyond one":   func() (float64, error) { return combine(two, two, [][]float64{{1, 1.1}, {1.1, 1}}) },
		"not alike":    func() (float64, error) { return combine(two, two, [][]float64{{1, 0.5}, {0.4, 1}}) },
		"with itself":  func() (float64, error) { return combine(two, two, [][]float64{{0.9, 0}, {0, 1}}) },
		"below zero":   func() (float64, error) { return combine(one, []float64{-1}, nil) },
		"not a number": func() (float64, error) { return combine(one, []float64{math.NaN()}, nil) },
	} {
		if u, err := call(); err == nil {
			t.Errorf("%s: %v and no error", name, u)
		}
	}
	if u, err := combine([]float64{1, -1}, []float64{2, 2}, [][]float64{{1, 1}, {1, 1}}); u != 0 || err != nil {
		t.Errorf("a difference of two alike: %v, %v; want 0", u, err)
	}
}
