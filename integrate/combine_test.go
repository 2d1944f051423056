package integrate

import (
	"math"
	"testing"
)

// TestEndGauge: JCGM 100:2008, H.1; u in nm. Published: combined 32 nm.
func TestEndGauge(t *testing.T) {
	const length, deltaAlpha, alpha = 50e6, 1e-6, 11.5e-6 // nm, 1/°C
	// ls; d by three parts; δα rectangular ±1e-6 with θ = −0.1; δθ rectangular ±0.05.
	c := []float64{1, 1, 1, 1, -length * -0.1, -length * alpha}
	u := []float64{25, 5.8, 3.9, 6.7, deltaAlpha / math.Sqrt(3), 0.05 / math.Sqrt(3)}
	got, err := Combine(c, u, nil)
	if err != nil || math.Abs(got-31.664) > 0.001 || math.Round(got) != 32 {
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
	near("r(V,I)", r[0][1], -0.36, 0.005)
	near("r(V,φ)", r[0][2], 0.86, 0.005)
	near("r(I,φ)", r[1][2], -0.65, 0.005)

	v, i, phi := mean[0], mean[1], mean[2]
	resistance := []float64{math.Cos(phi) / i, -v * math.Cos(phi) / (i * i), -v * math.Sin(phi) / i}
	reactance := []float64{math.Sin(phi) / i, -v * math.Sin(phi) / (i * i), v * math.Cos(phi) / i}
	impedance := []float64{1 / i, -v / (i * i), 0}
	near("R", v*math.Cos(phi)/i, 127.732, 0.0005)
	combined := func(c []float64) float64 {
		t.Helper()
		got, err := Combine(c, u[:], r)
		if err != nil {
			t.Fatal(err)
		}
		return got
	}
	uR, uX, uZ := combined(resistance), combined(reactance), combined(impedance)
	near("u(R)", uR, 0.071, 0.0005)
	near("u(X)", uX, 0.295, 0.001)
	near("u(Z)", uZ, 0.236, 0.0005)
	correlation := func(a, b []float64, ua, ub float64) float64 {
		t.Helper()
		got, err := Covariance(a, b, u[:], r)
		if err != nil {
			t.Fatal(err)
		}
		return got / (ua * ub)
	}
	near("r(R,X)", correlation(resistance, reactance, uR, uX), -0.588, 0.001)
	near("r(R,Z)", correlation(resistance, impedance, uR, uZ), -0.485, 0.001)
	near("r(X,Z)", correlation(reactance, impedance, uX, uZ), 0.993, 0.001)
}

func TestCombineRefusesNonsense(t *testing.T) {
	one, two := []float64{1}, []float64{1, 1}
	for name, call := range map[string]func() (float64, error){
		"lengths":      func() (float64, error) { return Combine(one, two, nil) },
		"rows":         func() (float64, error) { return Combine(two, two, [][]float64{{1, 0}}) },
		"columns":      func() (float64, error) { return Combine(two, two, [][]float64{{1, 0}, {0}}) },
		"beyond one":   func() (float64, error) { return Combine(two, two, [][]float64{{1, 1.1}, {1.1, 1}}) },
		"not alike":    func() (float64, error) { return Combine(two, two, [][]float64{{1, 0.5}, {0.4, 1}}) },
		"with itself":  func() (float64, error) { return Combine(two, two, [][]float64{{0.9, 0}, {0, 1}}) },
		"below zero":   func() (float64, error) { return Combine(one, []float64{-1}, nil) },
		"not a number": func() (float64, error) { return Combine(one, []float64{math.NaN()}, nil) },
	} {
		if u, err := call(); err == nil {
			t.Errorf("%s: %v and no error", name, u)
		}
	}
	if u, err := Combine([]float64{1, -1}, []float64{2, 2}, [][]float64{{1, 1}, {1, 1}}); u != 0 || err != nil {
		t.Errorf("a difference of two alike: %v, %v; want 0", u, err)
	}
}
