package account

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"nightcell/integrate"
	"nightcell/integrate/matter"
)

// NormalizedError is E_n of two results: their difference over the root of the sum of squares of their expanded
// uncertainties (k = 2). At most 1 in size they agree (ISO 13528, ISO/IEC 17043). NaN without any uncertainty.
func NormalizedError(x, reference matter.Figure) float64 {
	return (x.Value - reference.Value) / (integrate.CoverageFactor * math.Hypot(x.StandardUncertainty, reference.StandardUncertainty))
}

// Combined is the weighted mean of several results for one quantity.
type Combined struct {
	Mean       matter.Figure
	Count      int
	ChiSquared float64 // of the results about the mean
	Chance     float64 // of at least that much, if each doubt is right; 1 for a single result
}

// leastChance is below which results do not agree: the usual 5 % of key comparisons (Cox, Metrologia 39 (2002) 589, from memory).
const leastChance = 0.05

// Consistent says whether the results agree within their doubts.
func (c Combined) Consistent() bool { return c.Chance >= leastChance }

// Combine returns the mean of independent results, each weighted with 1/u², and whether they agree. What is not Known is left
// out; every other result has a standard uncertainty above zero. The doubt is not stretched where they do not agree, because no factor mends a wrong result.
func Combine(results ...matter.Figure) Combined {
	var c Combined
	var weights, sum float64
	for _, x := range results {
		if !x.Known() {
			continue
		}
		w := 1 / (x.StandardUncertainty * x.StandardUncertainty)
		weights, sum = weights+w, sum+w*x.Value
		c.Count++
		c.Mean.Mark, c.Mean.Source = matter.Weakest(c.Mean.Mark, x.Mark), x.Source
	}
	if c.Count == 0 {
		return c
	}
	c.Mean.Value, c.Mean.StandardUncertainty, c.Chance = sum/weights, 1/math.Sqrt(weights), 1
	for _, x := range results {
		if x.Known() {
			z := (x.Value - c.Mean.Value) / x.StandardUncertainty
			c.ChiSquared += z * z
		}
	}
	if c.Count > 1 {
		c.Mean.Source = "weighted mean"
		c.Chance = mathext.GammaIncRegComp(float64(c.Count-1)/2, c.ChiSquared/2)
	}
	return c
}
