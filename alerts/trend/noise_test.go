package trend_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"nightcell/alerts/trend"
)

// TestMADConstant: 1/Φ⁻¹(3/4), with gonum's normal quantile.
func TestMADConstant(t *testing.T) {
	near(t, "MADToSigma", trend.MADToSigma, 1/distuv.UnitNormal.Quantile(0.75), 1e-14)
}

func TestMedianAgainstGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Float64Range(-1e3, 1e3), 1, 60).Draw(t, "values")
		got := trend.Median(values) // sorts
		want := stat.Quantile(0.5, stat.Empirical, values, nil)
		if n := len(values); n%2 == 0 {
			want = (want + values[n/2]) / 2 // the empirical quantile takes the lower of the middle two
		}
		if math.Abs(got-want) > 1e-9 {
			t.Fatalf("median %g, gonum %g of %v", got, want, values)
		}
	})
	if !math.IsNaN(trend.Median(nil)) {
		t.Error("the median of nothing is a number")
	}
}

// TestRobustShrugsOffWildValues: a third of wild values moves neither level nor spread far.
func TestRobustShrugsOffWildValues(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	values := make([]float64, 900)
	for i := range values {
		values[i] = 3 + 0.01*r.NormFloat64()
		if i%3 == 0 {
			values[i] = 100 * r.Float64()
		}
	}
	level, sigma := trend.Robust(values)
	if math.Abs(level-3) > 0.02 || sigma < 0.01 || sigma > 0.03 {
		t.Errorf("level %g, sigma %g", level, sigma)
	}
}

// TestNoiseOfNormalValues: for independent normal values the estimate is their
// standard deviation, whatever the drift beneath.
func TestNoiseOfNormalValues(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var n trend.Noise
	for i := range 20000 {
		n.Add(5 + 1e-5*float64(i) + 0.02*r.NormFloat64())
	}
	near(t, "noise", n.Sigma(), 0.02, 0.02)
}

// TestNoiseOfMavro: on the real, correlated readings of NIST StRD Mavro the fast noise
// is far below the deviation, as r(1) = 0.938 demands: σ·√(1−r) = 0.000107.
func TestNoiseOfMavro(t *testing.T) {
	var n trend.Noise
	for _, y := range mavro {
		n.Add(y)
	}
	near(t, "noise", n.Sigma(), 0.000429123454*math.Sqrt(1-0.937989183438248), 0.2)
}

func TestNoiseBreakAndNext(t *testing.T) {
	var n trend.Noise
	n.Add(1)
	n.Break()
	n.Add(100)
	if n.Sigma() != 0 {
		t.Errorf("a step over a break counts as noise: %g", n.Sigma())
	}
	n.Add(101)
	n.Next()
	n.Add(102)
	near(t, "noise after Next", n.Sigma(), math.Sqrt(math.Pi)/2, 1e-12)
}
