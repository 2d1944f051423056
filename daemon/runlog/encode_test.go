package runlog

import (
	"math"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// TestNumbersAreWrittenAsTheLibraryWritesThem holds the short way to the long one: the
// same characters, and so the same bits when read back.
func TestNumbersAreWrittenAsTheLibraryWritesThem(t *testing.T) {
	check := func(t rapid.TB, x float64) {
		if got, want := string(appendNumber(nil, x)), strconv.FormatFloat(x, 'g', -1, 64); got != want {
			t.Fatalf("%v is written %s, want %s", x, got, want)
		}
	}
	for _, x := range []float64{0, math.Copysign(0, -1), 1, -1, 3.0012, 0.0001, -0.0001, 0.00005, 99999.9999, 100000, 1e6, 0.1 + 0.2, math.MaxFloat64, math.SmallestNonzeroFloat64, 12.3, 12.34, 12.345, 12.3456, 12.34567} {
		check(t, x)
	}
	rapid.Check(t, func(t *rapid.T) {
		digits := rapid.Int64Range(-2e9, 2e9).Draw(t, "digits")
		check(t, float64(digits)/float64(rapid.SampledFrom([]int{1, 10, 100, 1000, 10000, 100000}).Draw(t, "unit")))
		check(t, rapid.Float64().Draw(t, "any"))
	})
}
