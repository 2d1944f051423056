package quantity

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Format writes v, in the SI unit of d, in a handy unit and with the fewest digits
// from which Parse gives back exactly v. v must be finite; NaN and infinities
// are written as "unknown", which Parse refuses.
func Format(d Dimension, v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	symbol, u := handy(d, v)
	for digits := 1; digits <= 17; digits++ {
		number := new(big.Float).SetPrec(256).SetRat(u.ratio(v)).Text('e', digits-1)
		r, _ := new(big.Rat).SetString(number)
		if got, err := u.si("", r); err == nil && got == v {
			return join(plain(number, r), symbol)
		}
	}
	return join(strconv.FormatFloat(v, 'g', -1, 64), descriptions()[d].SI)
}

// Round writes v, in the SI unit of d, for people: in a handy unit and with the
// given number of significant digits (at least 1).
func Round(d Dimension, v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	symbol, u := handy(d, v)
	return join(Significant(u.number(v), max(digits, 1)), symbol)
}

// Short writes v to some digits, without the zeros at its end.
func Short(d Dimension, v float64, digits int) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
	if err != nil {
		short = v
	}
	return Format(d, short)
}

// HalfWidth writes the half-width that belongs to v, in the unit that Short takes for v.
func HalfWidth(d Dimension, v, half float64, digits int) string {
	symbol, u := handy(d, v)
	u.shift = nil // it is a difference
	return join(strconv.FormatFloat(u.number(half), 'g', digits, 64), symbol)
}

// handy picks the largest of d's shown units that leaves at least one whole unit, else the smallest.
func handy(d Dimension, v float64) (string, unit) {
	shown := descriptions()[d].Shown
	for _, symbol := range slices.Backward(shown[1:]) {
		if u := mustUnit(symbol); math.Abs(u.number(v)) >= 1 {
			return symbol, u
		}
	}
	return shown[0], mustUnit(shown[0])
}

// mustUnit reads a unit of the tables in this package; the tests read all of them.
func mustUnit(symbol string) unit {
	if symbol == "" {
		return unit{factor: big.NewRat(1, 1)}
	}
	u, err := parseUnit(symbol)
	if err != nil {
		panic("quantity: " + err.Error())
	}
	return u
}

// ratio is the inverse of si, unrounded; v must be finite.
func (u unit) ratio(v float64) *big.Rat {
	r := new(big.Rat).SetFloat64(v)
	r.Quo(r, u.factor)
	if u.shift != nil {
		r.Sub(r, u.shift)
	}
	return r
}

func (u unit) number(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	f, _ := u.ratio(v).Float64()
	return f
}

// plain writes a number that is given as d.dde±dd without the exponent, unless
// that would take many zeros.
func plain(number string, r *big.Rat) string {
	mantissa, exponent, _ := strings.Cut(number, "e")
	power, _ := strconv.Atoi(exponent)
	if power >= 15 || power < -6 {
		return number
	}
	_, decimals, _ := strings.Cut(mantissa, ".")
	return r.FloatString(max(len(decimals)-power, 0))
}

func join(number, symbol string) string {
	if symbol == "" {
		return number
	}
	return number + " " + symbol
}

// Count writes how many things there are, such as 2 alarms.
func Count(n int, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// Maybe is a number that may be unknown or infinite. JSON has neither: both are null there, and null is read as NaN.
type Maybe float64

// MarshalJSON writes the shortest decimal that reads back to the same bits.
func (m Maybe) MarshalJSON() ([]byte, error) {
	form := byte('e')
	switch size := math.Abs(float64(m)); {
	case math.IsNaN(size) || math.IsInf(size, 0):
		return []byte("null"), nil
	case size == 0 || size >= 1e-6 && size < 1e21: // where encoding/json writes no exponent either
		form = 'f'
	}
	return strconv.AppendFloat(nil, float64(m), form, -1, 64), nil
}

// UnmarshalJSON reads null as NaN.
func (m *Maybe) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*m = Maybe(math.NaN())
		return nil
	}
	return json.Unmarshal(data, (*float64)(m))
}

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
	if width := math.Abs(high-low) / 2; math.Abs(best) < width/100 {
		best = 0 // it has no digit where the limits end
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

// Duration writes a time as people do: 30 days, 2 h 30 min, 20 s.
func Duration(d time.Duration) string {
	const day = 24 * time.Hour
	switch {
	case d >= 2*day && d%day == 0:
		return fmt.Sprintf("%d days", d/day)
	case d == 0:
		return "0 s"
	case d < time.Minute:
		return Short(Time, d.Seconds(), 4)
	}
	d = d.Round(time.Second)
	var parts []string
	for _, u := range [...]struct {
		length time.Duration
		symbol string
	}{{time.Hour, "h"}, {time.Minute, "min"}, {time.Second, "s"}} {
		if n := d / u.length; n > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n, u.symbol))
			d -= n * u.length
		}
	}
	return strings.Join(parts, " ")
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
