package electrolysis

import (
	"math"
	"testing"
)

// near fails unless got lies within tolerance of want; what names the check and its source.
func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.7g, want %.7g ± %.2g", what, got, want, tolerance)
	}
}
