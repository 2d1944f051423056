package main

import (
	"fmt"
	"math"

	"nightcell/configs/quantity"
	"nightcell/integrate"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// withDoubt writes a figure, and ± twice its standard uncertainty if it has one.
func withDoubt(f matter.Figure) string { return scaledDoubt(f, 1) }

// scaledDoubt is withDoubt in a unit of which there are perSI in the SI unit.
func scaledDoubt(f matter.Figure, perSI float64) string {
	return quantity.WithDoubt(f.Value*perSI, integrate.CoverageFactor*f.StandardUncertainty*perSI)
}

// bandText writes a band in a unit that is factor times the SI unit, most likely value first.
func bandText(b electrolysis.Band, perSI float64) string {
	return quantity.Interval(b.Best*perSI, b.Low*perSI, b.High*perSI)
}

// span writes a usual range.
func span(r matter.Range, perSI, shift float64) string {
	return quantity.Span(r.Low*perSI+shift, r.High*perSI+shift)
}

// checkDensityUnit refuses what is no unit of current density.
func checkDensityUnit(unit string) error {
	if _, err := quantity.In(quantity.CurrentDensity, 1, unit); err != nil {
		return usagef("--density-unit: %w; it is one of A/dm2, A/m2, mA/cm2, ASF", err)
	}
	return nil
}

// perDensity returns how many of a checked unit of current density make one A/m2.
func perDensity(unit string) float64 {
	v, err := quantity.In(quantity.CurrentDensity, 1, unit)
	if err != nil {
		return math.NaN() // checkDensityUnit has let the unit through
	}
	return v
}

// roughly writes a time that is known to one digit.
func roughly(seconds float64) string {
	switch {
	case seconds < 120:
		return fmt.Sprintf("%.0f s", seconds)
	case seconds < 7200:
		return fmt.Sprintf("%.0f min", seconds/60)
	}
	return fmt.Sprintf("%.0f h", seconds/3600)
}

// timeText writes a time for people.
func timeText(f matter.Figure) string {
	return quantity.Lasting(f.Value, integrate.CoverageFactor*f.StandardUncertainty)
}
