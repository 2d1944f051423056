package bath

import (
	"math"

	"nightcell/integrate/matter"
)

// product multiplies independent figures.
func product(x, y matter.Figure) matter.Figure {
	value := x.Value * y.Value
	return matter.Figure{Value: value, StandardUncertainty: math.Abs(value) * math.Hypot(x.Relative(), y.Relative()), Mark: matter.Weakest(x.Mark, y.Mark)}
}

// perVolume divides independent figures.
func perVolume(x, volume matter.Figure) matter.Figure {
	return product(x, matter.Figure{Value: 1 / volume.Value, StandardUncertainty: volume.StandardUncertainty / (volume.Value * volume.Value), Mark: volume.Mark})
}

func scaledFigure(x matter.Figure, factor float64) matter.Figure {
	x.Value, x.StandardUncertainty = x.Value*factor, x.StandardUncertainty*math.Abs(factor)
	return x
}

// added adds a figure to one that may not be known yet.
func added(x, y matter.Figure) matter.Figure {
	return matter.Figure{Value: x.Value + y.Value, StandardUncertainty: math.Hypot(x.StandardUncertainty, y.StandardUncertainty), Mark: matter.Weakest(x.Mark, y.Mark)}
}
