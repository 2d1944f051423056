package integrate

import (
	"fmt"
	"math"
)

// Combine returns the combined standard uncertainty of a figure y = f(x1 … xn) by
// the law of propagation (JCGM 100, 5.2.2):
//
//	u²(y) = Σi Σj ci·cj·u(xi)·u(xj)·r(xi,xj)
//
// sensitivities are the ci = ∂f/∂xi, standard the u(xi), and correlation the matrix
// of r, symmetric with ones on its diagonal; nil means that the inputs are independent. The
// lengths must match.
func Combine(sensitivities, standard []float64, correlation [][]float64) (float64, error) {
	cov, err := Covariance(sensitivities, sensitivities, standard, correlation)
	if err != nil {
		return 0, err
	}
	// Perfectly anticorrelated inputs may cancel to a rounding below zero.
	return math.Sqrt(max(cov, 0)), nil
}

// Covariance returns that of two figures which depend on the same inputs with the
// sensitivities a and b (JCGM 100, H.2.3). Divided by both standard uncertainties it is
// their correlation coefficient.
func Covariance(a, b, standard []float64, correlation [][]float64) (float64, error) {
	n := len(standard)
	if len(a) != n || len(b) != n || (correlation != nil && len(correlation) != n) {
		return 0, fmt.Errorf("integrate: %d and %d sensitivities, %d uncertainties, %d rows of correlation: the numbers must be equal",
			len(a), len(b), n, len(correlation))
	}
	var sum Sum
	for i := range n {
		if standard[i] < 0 || math.IsNaN(standard[i]) {
			return 0, fmt.Errorf("integrate: standard uncertainty %d is %v; it cannot be below zero", i, standard[i])
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
