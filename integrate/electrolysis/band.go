package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// Band is a figure that is known only to lie between Low and High, most likely
// near Best, in the unit that its owner states.
type Band struct {
	Low, Best, High float64
	Mark            matter.Mark
	Source          string
}

// assumed is a band that nobody vouches for.
func assumed(low, best, high float64, why string) Band {
	return Band{low, best, high, matter.Assumed, why}
}

// fromFigure is the band of two standard uncertainties about a figure.
func fromFigure(f matter.Figure) Band {
	wide := 2 * f.StandardUncertainty
	return Band{f.Value - wide, f.Value, f.Value + wide, f.Mark, f.Source}
}

// scaled returns the band times a positive factor.
func (b Band) scaled(factor float64) Band {
	b.Low, b.Best, b.High = b.Low*factor, b.Best*factor, b.High*factor
	return b
}

// shifted returns the band moved by an amount.
func (b Band) shifted(by float64) Band {
	b.Low, b.Best, b.High = b.Low+by, b.Best+by, b.High+by
	return b
}

// sum adds independent bands: the best values add, the distances to the low and to
// the high ends add in quadrature, and the mark is the weakest of all.
func sum(parts []Component) Band {
	var total Band
	var down, up float64
	for _, p := range parts {
		total.Best += p.Best
		down += (p.Best - p.Low) * (p.Best - p.Low)
		up += (p.High - p.Best) * (p.High - p.Best)
		total.Mark = matter.Weakest(total.Mark, p.Mark)
	}
	total.Low, total.High = total.Best-math.Sqrt(down), total.Best+math.Sqrt(up)
	total.Source = "sum of the parts, their spreads added in quadrature"
	return total
}
