package trend_test

import (
	"math"
	"testing"

	"nightcell/alerts/trend"
)

// TestEWMAAgainstNIST repeats the worked example of the NIST/SEMATECH e-Handbook of
// Statistical Methods, 6.3.2.4 (doi 10.18434/M32189): λ 0.3, target 50, s 2.0539, k 3.
func TestEWMAAgainstNIST(t *testing.T) {
	data := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	printed := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99}
	e := trend.EWMA{Lambda: 0.3, Value: 50}
	// The page truncates √(λ/(2−λ)) = 0.42008 to 0.4201, hence the tolerance of the limits.
	width := e.HalfWidth(2.0539, 3)
	if math.Abs(50+width-52.5884) > 1e-4 || math.Abs(50-width-47.4115) > 1e-4 {
		t.Errorf("limits %.4f and %.4f, printed 52.5884 and 47.4115", 50+width, 50-width)
	}
	for i, x := range data {
		z := e.Add(x)
		if math.Abs(z-printed[i]) > 0.0051 {
			t.Errorf("value %d: %.4f, printed %.2f", i+1, z, printed[i])
		}
		if math.Abs(z-50) > width {
			t.Errorf("value %d is outside the limits; in the example none is", i+1)
		}
	}
}

// TestEWMALimitsAgainstMontgomery: λ 0.10, L 2.7, σ 1 gives steady limits of ±0.62
// (Montgomery, Introduction to Statistical Quality Control, chapter 9; printed value from memory).
func TestEWMALimitsAgainstMontgomery(t *testing.T) {
	e := trend.EWMA{Lambda: 0.10, Value: 10}
	if w := e.HalfWidth(1, 2.7); math.Abs(w-0.62) > 0.005 {
		t.Errorf("half-width %.4f, printed 0.62", w)
	}
}

// TestCUSUMAgainstMontgomery repeats Tables 9.1 and 9.2 of Montgomery, Introduction to
// Statistical Quality Control: μ₀ 10, σ 1, K 0.5, H 5. Printed C⁺; C⁻ at period 2 is printed too.
func TestCUSUMAgainstMontgomery(t *testing.T) {
	data := []float64{
		9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08,
		9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52,
	}
	high := []float64{
		0, 0, 0, 1.16, 2.82, 2.50, 0.04, 1.00, 0, 0, 0, 0.97, 0.98, 0, 0,
		0, 0.12, 0, 0, 0.34, 0.74, 0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30,
	}
	c := trend.CUSUM{Target: 10, Reference: 0.5, Decision: 5}
	first := 0
	for i, x := range data {
		signal := c.Add(x)
		if math.Abs(c.High-high[i]) > 1e-9 {
			t.Errorf("period %d: C⁺ %.4f, printed %.2f", i+1, c.High, high[i])
		}
		if i+1 == 2 && math.Abs(c.Low-1.56) > 1e-9 {
			t.Errorf("period 2: C⁻ %.4f, printed 1.56", c.Low)
		}
		if signal == 1 && first == 0 {
			first = i + 1
			if c.HighRun != 7 {
				t.Errorf("N⁺ at the signal is %d, want 7: the shift is placed after period 22", c.HighRun)
			}
		}
		if signal < 0 {
			t.Errorf("period %d signals a fall", i+1)
		}
	}
	if first != 29 {
		t.Errorf("first signal at period %d, printed 29", first)
	}
}

// TestFastInitialResponse repeats the initially out-of-control example of Lucas and
// Crosier, Technometrics 24 (1982) 199: k 0.5, h 5, with and without a head start of h/2.
func TestFastInitialResponse(t *testing.T) {
	data := []float64{0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6}
	for _, tt := range []struct {
		head   float64
		sums   []float64
		signal int
	}{
		{0, []float64{0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0}, 7},
		{2.5, []float64{2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5}, 3},
	} {
		c := trend.CUSUM{Reference: 0.5, Decision: 5, High: tt.head}
		first := 0
		for i, x := range data {
			if c.Add(x) == 1 && first == 0 {
				first = i + 1
			}
			if math.Abs(c.High-tt.sums[i]) > 1e-9 {
				t.Errorf("head start %g, value %d: %.3f, printed %.1f", tt.head, i+1, c.High, tt.sums[i])
			}
		}
		if first != tt.signal {
			t.Errorf("head start %g: signal at %d, printed %d", tt.head, first, tt.signal)
		}
	}
}

// TestCUSUMAgainstNIST repeats the example of the NIST/SEMATECH e-Handbook, 6.3.2.3.
// The data are from memory; the sums were worked out from them by hand.
func TestCUSUMAgainstNIST(t *testing.T) {
	data := []float64{
		324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
	}
	late := []float64{3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04} // groups 13 to 20
	c := trend.CUSUM{Target: 325, Reference: 0.3175, Decision: 4.1959}
	first, lowest := 0, 0.0
	for i, x := range data {
		if c.Add(x) != 0 && first == 0 {
			first = i + 1
		}
		lowest = math.Max(lowest, c.Low)
		if i >= 12 && math.Abs(c.High-late[i-12]) > 0.0051 {
			t.Errorf("group %d: upper sum %.4f, want %.2f", i+1, c.High, late[i-12])
		}
	}
	if first != 14 || math.Abs(lowest-0.72) > 0.005 {
		t.Errorf("first signal at group %d, lower sum at most %.3f; want 14 and 0.72", first, lowest)
	}
}
