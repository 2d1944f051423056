package integrate

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"
)

// numAcc returns a NIST StRD univariate set NumAcc2 to NumAcc4: first, then (low,
// high) 500 times.
func numAcc(first, low, high float64) []float64 {
	x := []float64{first}
	for range 500 {
		x = append(x, low, high)
	}
	return x
}

// TestSumOnNumAcc: NIST Statistical Reference Datasets, itl.nist.gov/div898/strd,
// univariate, certified mean and standard deviation.
func TestSumOnNumAcc(t *testing.T) {
	for _, set := range []struct {
		name     string
		x        []float64
		mean, sd float64
		// What the rounding of the printed data to binary64 leaves of the deviation.
		tolerance float64
	}{
		{"NumAcc1", []float64{10000001, 10000003, 10000002}, 10000002, 1, 0},           // outside: strd NumAcc1
		{"NumAcc2", numAcc(1.2, 1.1, 1.3), 1.2, 0.1, 1e-15},                            // outside: strd NumAcc2
		{"NumAcc3", numAcc(1000000.2, 1000000.1, 1000000.3), 1000000.2, 0.1, 1e-10},    // outside: strd NumAcc3
		{"NumAcc4", numAcc(10000000.2, 10000000.1, 10000000.3), 10000000.2, 0.1, 1e-9}, // outside: strd NumAcc4
	} {
		var sum, squares Sum
		for _, x := range set.x {
			sum.Add(x)
		}
		n := float64(len(set.x))
		mean := sum.Value() / n
		for _, x := range set.x {
			squares.Add((x - mean) * (x - mean))
		}
		sd := math.Sqrt(squares.Value() / (n - 1))
		if ulp := math.Nextafter(set.mean, math.Inf(1)) - set.mean; math.Abs(mean-set.mean) > ulp {
			t.Errorf("%s: mean %.17g, certified %.17g", set.name, mean, set.mean)
		}
		if math.Abs(sd-set.sd) > set.tolerance {
			t.Errorf("%s: standard deviation %.17g, certified %.17g", set.name, sd, set.sd)
		}
	}
}

// TestSumOnCancellation: the example by which Neumaier's sum is told from
// Kahan's, which gives 0 (from memory).
func TestSumOnCancellation(t *testing.T) {
	var s Sum
	for _, x := range []float64{1, 1e100, 1, -1e100} {
		s.Add(x)
	}
	if s.Value() != 2 {
		t.Errorf("1 + 1e100 + 1 - 1e100 = %v, want 2", s.Value())
	}
}

// TestSumAgainstExact adds three days of readings at 1/s and compares with an exact
// sum; a plain one is visibly off.
func TestSumAgainstExact(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var s Sum
	plain, exact := 0.0, new(big.Float).SetPrec(300)
	for range 300_000 {
		x := 3 * (1 + 0.01*rng.NormFloat64())
		s.Add(x)
		plain += x
		exact.Add(exact, big.NewFloat(x))
	}
	want, _ := exact.Float64()
	if s.Value() != want {
		t.Errorf("sum %.17g, exact %.17g", s.Value(), want)
	}
	if plain == want {
		t.Error("a plain sum is exact here too: the test shows nothing")
	}
}
