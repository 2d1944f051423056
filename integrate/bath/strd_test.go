package bath

import (
	"math"
	"testing"
)

// TestSearchOnStRD gives the search under the fits nonlinear sets of the NIST Statistical Reference Datasets. As in FitTransfer one
// parameter is searched for, on a logarithmic scale, and the other follows from it at each place; the standard uncertainty is half the width at
// which the misfit has grown by the variance of a residual. The certified deviation is that of a linear model, so that a curved one may differ by some per cent.
func TestSearchOnStRD(t *testing.T) {
	misra := []float64{77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0}
	adsorbed := []float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78}
	saturating := func(b, x float64) float64 { return 1 - math.Exp(-b*x) }
	for _, c := range []struct {
		name                   string
		x, y                   []float64
		shape                  func(b, x float64) float64 // y = b1·shape(b2, x)
		b1, b2, deviation, rss float64
		low, high, linear      float64 // where b2 is looked for; how far a curved model may differ from a linear one
	}{
		{"Misra1a", misra, adsorbed, saturating, 2.3894212918e+02, 5.5015643181e-04, 7.2668688436e-06, 1.2455138894e-01, 1e-6, 1e-1, 0.01}, // outside: strd Misra1a, lines 41 to 47
		{"Misra1b", misra, adsorbed, func(b, x float64) float64 { return 1 - 1/((1+b*x/2)*(1+b*x/2)) },
			3.3799746163e+02, 3.9039091287e-04, 4.2547321834e-06, 7.5464681533e-02, 1e-6, 1e-1, 0.01}, // outside: strd Misra1b, lines 41 to 47
		{"DanWood", []float64{1.309, 1.471, 1.490, 1.565, 1.611, 1.680}, []float64{2.138, 3.421, 3.597, 4.340, 4.882, 5.660}, func(b, x float64) float64 { return math.Pow(x, b) },
			7.6886226176e-01, 3.8604055871e+00, 5.1726610913e-02, 4.3173084083e-03, 1e-2, 1e2, 0.01}, // outside: strd DanWood, lines 41 to 47
		{"BoxBOD", []float64{1, 2, 3, 5, 7, 10}, []float64{109, 149, 149, 191, 213, 224}, saturating,
			2.1380940889e+02, 5.4723748542e-01, 1.0455993237e-01, 1.1680088766e+03, 1e-2, 1e2, 0.15}, // outside: strd BoxBOD, lines 41 to 47
	} {
		b1 := func(b2 float64) float64 {
			var xy, xx float64
			for i, x := range c.x {
				s := c.shape(b2, x)
				xy, xx = xy+s*c.y[i], xx+s*s
			}
			return xy / xx
		}
		squares := func(logB2 float64) (sum float64) {
			b2 := math.Exp(logB2)
			for i, x := range c.x {
				r := c.y[i] - b1(b2)*c.shape(b2, x)
				sum += r * r
			}
			return sum
		}
		low, high := math.Log(c.low), math.Log(c.high)
		best := valley(low, high, squares)
		least := squares(best)
		level := least * (1 + 1/float64(len(c.x)-2))
		b2 := math.Exp(best)
		u := b2 * (crossing(best, high, level, squares) - crossing(best, low, level, squares)) / 2
		for _, got := range []struct {
			what                string
			got, want, relative float64
		}{{"b1", b1(b2), c.b1, 1e-6}, {"b2", b2, c.b2, 1e-6}, {"sum of squares", least, c.rss, 1e-9}, {"deviation", u, c.deviation, c.linear}} {
			if math.Abs(got.got/got.want-1) > got.relative {
				t.Errorf("%s, %s: %.10g, certified %.10g", c.name, got.what, got.got, got.want)
			}
		}
	}
}
