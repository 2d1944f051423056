package quantity

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// How a figure with its doubt is written, wherever nightcell prints one. The functions know no unit: value and doubt come
// in the unit in which they are shown. An expanded uncertainty is k = 2 times the standard uncertainty; the caller multiplies.

// digitsShown is how many digits a figure without a stated uncertainty deserves.
const digitsShown = 3

// Digits writes a value so that its last digit is the first that its standard uncertainty u leaves in doubt, the second
// when the first is a 1. Without u it has three digits. NaN is "unknown" and an infinity "never".
func Digits(value, u float64) string {
	switch {
	case math.IsNaN(value):
		return "unknown"
	case math.IsInf(value, 0):
		return "never"
	case value == 0 && !(u > 0):
		return "0"
	case !(u > 0) || math.IsInf(u, 0):
		return Significant(value, digitsShown)
	}
	place := power(u) // of the last digit
	if u/math.Pow(10, float64(place)) < 2 {
		place--
	}
	if value != 0 { // never fewer than one digit, never more than six
		size := power(value)
		place = max(min(place, size), size-5)
	}
	return decimal(value, place)
}

// WithDoubt writes a value ± its expanded uncertainty. Both end at the second digit of the uncertainty, the most that
// JCGM 100, 7.2.6, allows. Without an uncertainty it is Digits.
func WithDoubt(value, expanded float64) string {
	if !(expanded > 0) || math.IsInf(expanded, 0) || math.IsInf(value, 0) || math.IsNaN(value) {
		return Digits(value, expanded)
	}
	place := power(expanded) - 1
	if size := math.Max(math.Abs(value), expanded); size >= 1e6 || size < 1e-3 { // one exponent for both
		power := power(size)
		unit := math.Pow(10, float64(power))
		decimals := max(power-place, 0)
		return fmt.Sprintf("(%.*f ± %.*f)e%d", decimals, value/unit, decimals, expanded/unit, power)
	}
	unit, decimals := math.Pow(10, float64(place)), max(-place, 0) // no exponent for the one alone
	return fmt.Sprintf("%.*f ± %.*f", decimals, math.Round(value/unit)*unit+0, decimals, math.Round(expanded/unit)*unit)
}

// Interval writes a likeliest value and the limits within which the truth lies, each to the digits that half the width
// leaves; where one lies much farther off than the other, each to two digits.
func Interval(best, low, high float64) string {
	if factor := high / low; low > 0 && low < best && best < high && factor > 1.3 && math.Max(best-low, high-best) > 1.2*math.Min(best-low, high-best) {
		return fmt.Sprintf("%s (%s to %s)", Significant(best, 2), Significant(low, 2), Significant(high, 2))
	}
	return Digits(best, math.Abs(high-low)/2) + " (" + Between(low, high, "to") + ")"
}

// Between writes the limits within which the truth lies, to the digits that half their distance leaves, with a word
// between them.
func Between(low, high float64, word string) string {
	width := math.Abs(high-low) / 2
	return Digits(low, width) + " " + word + " " + Digits(high, width)
}

// Span writes a usual range, which nobody knows better than to three digits.
func Span(low, high float64) string { return fmt.Sprintf("%.3g to %.3g", low, high) }

// Significant writes a value with a number of significant digits, with an exponent only where it would need many zeros.
func Significant(value float64, digits int) string {
	if value == 0 || math.IsNaN(value) || math.IsInf(value, 0) {
		return Digits(value, 0)
	}
	place := power(value) - digits + 1
	if size := power(math.Round(value/math.Pow(10, float64(place))) * math.Pow(10, float64(place))); size-digits+1 > place {
		place = size - digits + 1 // 9.996 to three digits is 10.0
	}
	return decimal(value, place)
}

// Lasting writes a time in s and its expanded uncertainty in the unit that people use: seconds below two minutes,
// minutes below two hours, hours below four days, else days.
func Lasting(seconds, expanded float64) string { return lasting(seconds, expanded, WithDoubt) }

// LastingAbout is Lasting with u, the standard uncertainty, told by the digits alone.
func LastingAbout(seconds, u float64) string { return lasting(seconds, u, Digits) }

func lasting(seconds, doubt float64, write func(value, doubt float64) string) string {
	unit, symbol := 86400.0, "d"
	switch {
	case math.IsInf(seconds, 0) || math.IsNaN(seconds):
		return Digits(seconds, 0)
	case seconds < 120:
		unit, symbol = 1, "s"
	case seconds < 2*3600:
		unit, symbol = 60, "min"
	case seconds < 96*3600:
		unit, symbol = 3600, "h"
	}
	return write(seconds/unit, doubt/unit) + " " + symbol
}

// power is the power of ten of the first digit of a number that is neither zero nor infinite.
func power(v float64) int { return int(math.Floor(math.Log10(math.Abs(v)))) }

// decimal writes a value rounded to a power of ten.
func decimal(value float64, place int) string {
	unit := math.Pow(10, float64(place))
	rounded := math.Round(value/unit)*unit + 0 // + 0 makes a negative zero a plain one
	if size := math.Abs(rounded); size >= 1e6 || (size > 0 && size < 1e-4) {
		return strconv.FormatFloat(rounded, 'e', max(power(size)-place, 0), 64)
	}
	return strconv.FormatFloat(rounded, 'f', max(-place, 0), 64)
}

// Printed writes the symbol of a unit the way the trade prints it: A/dm² for A/dm2.
func Printed(symbol string) string {
	return strings.NewReplacer("m2", "m²", "m3", "m³").Replace(symbol)
}
