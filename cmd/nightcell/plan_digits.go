package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// figuresShown is how many digits a figure without a stated uncertainty deserves.
const figuresShown = 3

// sensible writes value so that its last digit is the first that its standard
// uncertainty u leaves in doubt (two of them if the first is a 1); without u, with three digits.
func sensible(value, u float64) string {
	switch {
	case math.IsNaN(value):
		return "unknown"
	case math.IsInf(value, 0):
		return "never"
	case value == 0 && u == 0:
		return "0"
	}
	place := 0 // power of ten of the last digit
	if u > 0 && !math.IsInf(u, 0) {
		place = int(math.Floor(math.Log10(u)))
		if u/math.Pow(10, float64(place)) < 2 {
			place--
		}
		if value != 0 { // never fewer than one digit, never more than six
			size := int(math.Floor(math.Log10(math.Abs(value))))
			place = max(min(place, size), size-5)
		}
	} else {
		place = int(math.Floor(math.Log10(math.Abs(value)))) - (figuresShown - 1)
	}
	return decimal(value, place)
}

// decimal writes value rounded to a power of ten.
func decimal(value float64, place int) string {
	unit := math.Pow(10, float64(place))
	rounded := math.Round(value/unit)*unit + 0 // + 0 makes a negative zero a plain one
	if size := math.Abs(rounded); size >= 1e6 || (size > 0 && size < 1e-4) {
		digits := int(math.Floor(math.Log10(size))) - place
		return strconv.FormatFloat(rounded, 'e', max(digits, 0), 64)
	}
	return strconv.FormatFloat(rounded, 'f', max(-place, 0), 64)
}

// withDoubt writes a figure, and ± twice its standard uncertainty if it has one.
func withDoubt(f matter.Figure) string { return scaledDoubt(f, 1) }

// scaledDoubt is withDoubt in a unit of which there are perSI in the SI unit. Both
// numbers end at the second digit of the uncertainty (JCGM 100, 7.2.6).
func scaledDoubt(f matter.Figure, perSI float64) string {
	value, u := f.Value*perSI, 2*f.StandardUncertainty*perSI
	if !(u > 0) || math.IsInf(u, 0) || math.IsInf(value, 0) || math.IsNaN(value) {
		return sensible(value, u)
	}
	place := int(math.Floor(math.Log10(u))) - 1
	if size := math.Max(math.Abs(value), u); size >= 1e6 || size < 1e-3 { // one exponent for both
		power := int(math.Floor(math.Log10(size)))
		unit := math.Pow(10, float64(power))
		decimals := max(power-place, 0)
		return fmt.Sprintf("(%.*f ± %.*f)e%d", decimals, value/unit, decimals, u/unit, power)
	}
	return decimal(value, place) + " ± " + decimal(u, place)
}

// bandText writes a band in a unit that is factor times the SI unit, most likely value first.
func bandText(b electrolysis.Band, perSI float64) string {
	width := math.Abs(b.High-b.Low) * perSI / 2
	return fmt.Sprintf("%s (%s to %s)", sensible(b.Best*perSI, width), sensible(b.Low*perSI, width), sensible(b.High*perSI, width))
}

// span writes a usual range.
func span(r matter.Range, perSI, shift float64) string {
	return fmt.Sprintf("%.3g to %.3g", r.Low*perSI+shift, r.High*perSI+shift)
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

// timeText writes a time for people: seconds below two minutes, minutes below two hours, hours below four days, else days.
func timeText(f matter.Figure) string {
	switch {
	case math.IsInf(f.Value, 0):
		return "never"
	case f.Value < 120:
		return scaledDoubt(f, 1) + " s"
	case f.Value < 2*3600:
		return scaledDoubt(f, 1.0/60) + " min"
	case f.Value < 96*3600:
		return scaledDoubt(f, 1.0/3600) + " h"
	}
	return scaledDoubt(f, 1.0/86400) + " d"
}

// prettyUnit writes a unit the way the trade prints it.
func prettyUnit(unit string) string {
	return strings.NewReplacer("m2", "m²", "m3", "m³").Replace(unit)
}
