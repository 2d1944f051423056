package trend_test

import (
	"math"
	"testing"

	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"nightcell/alerts/trend"
)

func fit(x, y []float64) (l trend.Line) {
	for i := range x {
		l.Add(x[i], y[i])
	}
	return l
}

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if math.Abs(got-want) > relative*math.Abs(want) {
		t.Errorf("%s = %.15g, certified %.15g", what, got, want)
	}
}

// norris are the pairs (y, x) of the StRD linear-regression set Norris.
var norris = [][2]float64{
	{0.1, 0.2}, {338.8, 337.4}, {118.1, 118.2}, {888.0, 884.6}, {9.2, 10.1}, {228.1, 226.5}, {668.5, 666.3}, {998.5, 996.3}, {449.1, 448.6},
	{778.9, 777.0}, {559.2, 558.2}, {0.3, 0.4}, {0.1, 0.6}, {778.1, 775.5}, {668.8, 666.9}, {339.3, 338.0}, {448.9, 447.5}, {10.8, 11.6},
	{557.7, 556.0}, {228.3, 228.1}, {998.0, 995.8}, {888.8, 887.6}, {119.6, 120.2}, {0.3, 0.3}, {0.6, 0.3}, {557.6, 556.8}, {339.3, 339.1},
	{888.0, 887.2}, {998.5, 999.0}, {778.9, 779.0}, {10.2, 11.1}, {117.6, 118.3}, {228.9, 229.2}, {668.4, 669.1}, {449.2, 448.9}, {0.2, 0.5},
}

// TestLineAgainstNorris: certified values of NIST StRD Norris. The residual is a small
// difference of large sums, so of its digits ten are left.
func TestLineAgainstNorris(t *testing.T) {
	var l trend.Line
	for _, p := range norris {
		l.Add(p[1], p[0])
	}
	near(t, "intercept", l.MeanY-l.Slope()*l.MeanX, -0.262323073774029, 1e-11)
	near(t, "slope", l.Slope(), 1.00211681802045, 1e-13)
	near(t, "uncertainty of the slope", l.SlopeUncertainty(), 0.429796848199937e-03, 1e-10)
	near(t, "residual deviation", l.Residual(), 0.884796396144373, 1e-10)
}

// TestLineOnNoInt1: the points of NIST StRD NoInt1 lie on y = x + 70 exactly. Its
// certified slope belongs to a line through the origin, which follows from the same sums.
func TestLineOnNoInt1(t *testing.T) {
	var l trend.Line
	var xy, xx float64
	for x := 60.0; x <= 70; x++ {
		l.Add(x, x+70)
		xy += x * (x + 70)
		xx += x * x
	}
	near(t, "slope", l.Slope(), 1, 1e-14)
	near(t, "intercept", l.MeanY-l.Slope()*l.MeanX, 70, 1e-13)
	n := float64(l.N)
	origin := (l.Slope()*(xx-n*l.MeanX*l.MeanX) + n*l.MeanX*l.MeanY) / xx
	near(t, "slope through the origin", origin, 2.07438016528926, 1e-13)
	near(t, "the same by plain sums", xy/xx, 2.07438016528926, 1e-13)
}

// mavro are the 50 readings of NIST StRD Mavro, a real drifting instrument, from
// memory; that they agree with the certified mean, deviation and autocorrelation to all digits is the proof.
var mavro = []float64{
	2.00180, 2.00170, 2.00180, 2.00190, 2.00180, 2.00170, 2.00150, 2.00140, 2.00150, 2.00150,
	2.00170, 2.00180, 2.00180, 2.00190, 2.00190, 2.00210, 2.00200, 2.00160, 2.00140, 2.00130,
	2.00130, 2.00150, 2.00150, 2.00160, 2.00150, 2.00140, 2.00130, 2.00140, 2.00150, 2.00140,
	2.00150, 2.00160, 2.00150, 2.00160, 2.00190, 2.00200, 2.00200, 2.00210, 2.00220, 2.00230,
	2.00240, 2.00250, 2.00270, 2.00260, 2.00260, 2.00260, 2.00270, 2.00260, 2.00250, 2.00240,
}

func TestLineAgainstMavro(t *testing.T) {
	var l trend.Line
	for i, y := range mavro {
		l.Add(float64(i+1), y)
	}
	near(t, "mean", l.MeanY, 2.00185600000000, 1e-14)
	near(t, "deviation", l.Deviation(), 0.000429123454003053, 1e-10)
	var top, bottom float64
	for i, y := range mavro {
		bottom += (y - l.MeanY) * (y - l.MeanY)
		if i > 0 {
			top += (y - l.MeanY) * (mavro[i-1] - l.MeanY)
		}
	}
	near(t, "autocorrelation", top/bottom, 0.937989183438248, 1e-10)
	// Slope and residual deviation of the set are not certified; worked out independently.
	near(t, "slope", l.Slope(), 1.84682e-5, 1e-5)
	near(t, "residual deviation", l.Residual(), 3.37632e-4, 1e-5)
}

// TestLineKeepsItsDigits: NIST StRD NumAcc3 and NumAcc4, where the one-pass sum of
// squares loses everything. The tolerance is the rounding of the data themselves.
func TestLineKeepsItsDigits(t *testing.T) {
	for _, tt := range []struct{ base, tolerance float64 }{{1000000.2, 1e-9}, {10000000.2, 1e-8}} {
		var l trend.Line
		l.Add(0, tt.base)
		for i := range 500 {
			l.Add(float64(2*i+1), tt.base-0.1)
			l.Add(float64(2*i+2), tt.base+0.1)
		}
		near(t, "mean", l.MeanY, tt.base, 1e-14)
		near(t, "deviation", l.Deviation(), 0.1, tt.tolerance)
	}
}

// TestLineAgainstGonum compares with gonum's regression on random data.
func TestLineAgainstGonum(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 80).Draw(t, "n")
		slope := rapid.Float64Range(-2, 2).Draw(t, "slope")
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			x[i] = float64(i) + rapid.Float64Range(0, 0.5).Draw(t, "x")
			y[i] = 3 + slope*x[i] + rapid.Float64Range(-0.1, 0.1).Draw(t, "y")
		}
		l := fit(x, y)
		a, b := stat.LinearRegression(x, y, nil, false)
		if intercept := l.MeanY - l.Slope()*l.MeanX; math.Abs(l.Slope()-b) > 1e-9 || math.Abs(intercept-a) > 1e-8 {
			t.Fatalf("slope %g, intercept %g; gonum %g, %g", l.Slope(), intercept, b, a)
		}
	})
}
