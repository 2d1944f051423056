package electrolysis

import (
	"math"
	"slices"

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

// fromFigure is the band of a figure's limits, or of two standard uncertainties about it.
func fromFigure(f matter.Figure) Band {
	if f.Skewed() {
		return Band{f.Low, f.Value, f.High, f.Mark, f.Source}
	}
	wide := 2 * f.StandardUncertainty
	return Band{f.Value - wide, f.Value, f.Value + wide, f.Mark, f.Source}
}

// skewed gives a figure that goes with a power of another one, whose doubt is among its own, the limits of that one, if it has any; twice
// what the other doubts make of it comes on top in quadrature.
func skewed(f, by matter.Figure, power float64) matter.Figure {
	if by.Skewed() {
		one, other := f.Value*math.Pow(by.Low/by.Value, power), f.Value*math.Pow(by.High/by.Value, power)
		rest := 2 * f.Value * math.Sqrt(math.Max(0, f.Relative()*f.Relative()-by.Relative()*by.Relative()))
		f.Low, f.High = math.Max(0, f.Value-math.Hypot(f.Value-math.Min(one, other), rest)), f.Value+math.Hypot(math.Max(one, other)-f.Value, rest)
	}
	return f
}

// between gives a figure the limits that the ends of what is known only as a range lead to; its own limits, or twice its doubt, come on top in
// quadrature. What both ends leave above zero stays there.
func between(f matter.Figure, ends ...float64) matter.Figure {
	low, high := math.Min(f.Value, slices.Min(ends)), math.Max(f.Value, slices.Max(ends))
	if high > low {
		own := fromFigure(f)
		f.Low, f.High = f.Value-math.Hypot(f.Value-low, f.Value-own.Low), f.Value+math.Hypot(high-f.Value, own.High-f.Value)
		if low >= 0 {
			f.Low = math.Max(0, f.Low)
		}
		f.Mark = matter.Assumed
	}
	return f
}

// times returns a figure, its doubt and its limits times a positive factor.
func times(f matter.Figure, factor float64) matter.Figure {
	f.Value, f.StandardUncertainty, f.Low, f.High = f.Value*factor, f.StandardUncertainty*factor, f.Low*factor, f.High*factor
	return f
}

// including returns the band widened to hold a value.
func (b Band) including(v float64) Band {
	b.Low, b.High = math.Min(b.Low, v), math.Max(b.High, v)
	return b
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

// standardConcentration is 1 mol/L in mol/m³, the reference of concentrations used as activities.
const standardConcentration = 1000.0

// positive tells whether every value is a finite number above zero.
func positive(values ...float64) bool {
	for _, v := range values {
		if !(v > 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

// notNegative tells whether every value is a finite number, zero or above.
func notNegative(values ...float64) bool {
	for _, v := range values {
		if !(v >= 0) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
