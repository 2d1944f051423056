// Package quantity reads and writes quantities the way people write them on a
// bench: a number and a unit, "0.9 L", "3 A/dm2", "26 A h", "88 %", "250 g ± 0.5 g".
// Everything it returns is a float64 in the SI unit of its dimension, rounded
// once from the exact decimal value. It never guesses: a unit of another
// dimension, a decimal comma, a missing unit and a number that is not finite are
// errors that say what was read and what is needed.
package quantity

import (
	"fmt"
	"math"
	"math/big"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode"
)

// longest bounds a quantity's text, so that no number is longer than any instrument could mean.
const longest = 80

// Value is a quantity that may carry a statement of its uncertainty.
type Value struct {
	Dimension Dimension
	SI        float64 // in the SI unit of Dimension
	// PlusMinus is what was written after ±, in the SI unit of Dimension, and NaN
	// when nothing was.
	PlusMinus float64
}

// StandardUncertainty reads ± as people mean it on a bench, as limits outside which
// the value is not expected: the half-width over √3 (rectangular, JCGM 100, 4.3.7). It is 0 when nothing was stated.
func (v Value) StandardUncertainty() float64 {
	if math.IsNaN(v.PlusMinus) {
		return 0
	}
	return v.PlusMinus / math.Sqrt(3)
}

// Parse reads a quantity of dimension d and returns it in d's SI unit. It refuses ±.
// A time may be written in several units, largest first: "2 h 30 min".
func Parse(d Dimension, s string) (float64, error) {
	v, err := ParseAny(s, d)
	if err != nil {
		return 0, err
	}
	if !math.IsNaN(v.PlusMinus) {
		return 0, fmt.Errorf("'%s' states an uncertainty, which has no use here: leave out the ± part", s)
	}
	return v.SI, nil
}

// ParseAny reads a quantity that may have any of the given dimensions, such as a
// concentration in g/L or in mol/L, and says which it had. It may state an uncertainty,
// absolute ("250 g ± 0.5 g", "250 ± 0.5 g") or relative ("250 g ± 1 %"). "+/-" and "+-"
// stand for ±. After a fraction, ± is in the fraction's own unit: "88 % ± 2 %" is 86 % to 90 %.
func ParseAny(s string, dims ...Dimension) (Value, error) {
	text := tidy(s)
	if len(text) > longest {
		return Value{}, fmt.Errorf("a quantity of %d characters is too long: write a number and a unit, such as '%s'", len(text), dims[0].Example())
	}
	if slices.Contains(dims, Time) {
		if seconds, ok := sumOfTimes(text); ok {
			return Value{Dimension: Time, SI: seconds, PlusMinus: math.NaN()}, nil
		}
	}
	value, spread, uncertain := strings.Cut(text, "±")
	number, symbol := splitNumber(value)
	if number == "" {
		return Value{}, noNumber(s, dims)
	}
	var spreadNumber, spreadSymbol string
	if uncertain {
		if spreadNumber, spreadSymbol = splitNumber(spread); spreadNumber == "" {
			return Value{}, fmt.Errorf("'%s' has no number after ±: write it as in '250 g ± 0.5 g' or '250 g ± 1 %%'", s)
		}
		if symbol == "" && !slices.Contains(dims, Number) { // "250 ± 0.5 g": one unit for both
			symbol = spreadSymbol
		}
	}
	r, err := exact(s, number, symbol)
	if err != nil {
		return Value{}, err
	}
	v := Value{PlusMinus: math.NaN()}
	u, err := resolve(s, symbol, dims, &v.Dimension)
	if err != nil {
		return Value{}, err
	}
	if v.SI, err = u.si(s, r); err != nil {
		return Value{}, err
	}
	if uncertain {
		v.PlusMinus, err = plusMinus(s, spreadNumber, spreadSymbol, u, v)
	}
	return v, err
}

// tidy trims and replaces the look-alikes that keyboards and word processors produce.
func tidy(s string) string {
	return strings.TrimSpace(strings.NewReplacer("\u2212", "-", "\u00a0", " ", "\u2009", " ", "\u202f", " ", "\t", " ", "+/-", "±", "+-", "±").Replace(s))
}

// splitNumber cuts the leading decimal number off s. Its first result keeps
// a comma or a group of digits, so that exact can say what is wrong with it.
func splitNumber(s string) (number, rest string) {
	s = strings.TrimSpace(s)
	number = leadingNumber.FindString(s)
	return number, strings.TrimSpace(s[len(number):])
}

var leadingNumber = regexp.MustCompile(`^[-+]?[.,_']*[0-9](?:[0-9.,_']|[eE][-+]?[0-9])*`)

// thousands is a number whose comma may part thousands as well as decimals.
var thousands = regexp.MustCompile(`^[-+]?[0-9]{1,3},[0-9]{3}$`)

// exact turns the digits into a rational number, so that "0.9 L" is the float64
// nearest to 0.0009 and not the product of two rounded numbers.
func exact(s, number, symbol string) (*big.Rat, error) {
	if strings.Contains(number, ",") {
		write := func(mark string) string {
			return "'" + strings.TrimSpace(strings.ReplaceAll(number, ",", mark)+" "+symbol) + "'"
		}
		remedy := write(".")
		if thousands.MatchString(number) {
			remedy = write("") + ", or " + remedy + " if a thousandth of that is meant"
		}
		if strings.Count(number, ",") > 1 || strings.Contains(number, ".") {
			remedy = write("")
		}
		return nil, fmt.Errorf("'%s' has a comma: numbers take a decimal point and no thousands mark; write %s", s, remedy)
	}
	if strings.ContainsAny(number, "_'") || (symbol != "" && symbol[0] >= '0' && symbol[0] <= '9') {
		return nil, fmt.Errorf("'%s' has something between its digits: write the number in one piece", s)
	}
	f, err := strconv.ParseFloat(number, 64)
	mantissa, _, _ := strings.Cut(strings.ToLower(number), "e")
	if math.IsInf(f, 0) || err == nil && f == 0 && strings.ContainsAny(mantissa, "123456789") {
		return nil, fmt.Errorf("'%s' is beyond the numbers that can be held", s)
	}
	r, ok := new(big.Rat).SetString(number)
	if err != nil || !ok {
		return nil, fmt.Errorf("'%s' does not begin with a number that can be read: '%s'", s, number)
	}
	return r, nil
}

// si returns r of the unit in SI, rounded once.
func (u unit) si(s string, r *big.Rat) (float64, error) {
	v := new(big.Rat).Set(r)
	if u.shift != nil {
		v.Add(v, u.shift)
	}
	f, _ := v.Mul(v, u.factor).Float64()
	if math.IsInf(f, 0) || f == 0 && v.Sign() != 0 {
		return 0, fmt.Errorf("'%s' is beyond the numbers that can be held", s)
	}
	return f, nil
}

// resolve reads the unit and finds which of dims it has.
func resolve(s, symbol string, dims []Dimension, got *Dimension) (unit, error) {
	if symbol == "" {
		for _, d := range dims {
			if *got = d; d == Number {
				return unit{factor: big.NewRat(1, 1)}, nil
			}
		}
		return unit{}, fmt.Errorf("'%s' has no unit: %s is needed, such as '%s'", s, either(dims), dims[0].Example())
	}
	u, err := parseUnit(symbol)
	if err != nil {
		return unit{}, fmt.Errorf("'%s': %w%s; %s is needed, such as '%s'", s, err, meant(symbol, dims), either(dims), dims[0].Example())
	}
	for _, d := range dims {
		if *got = d; d != Number && descriptions()[d].Base == u.base {
			return u, nil
		}
	}
	is := "not a quantity that nightcell knows"
	if d, ok := named(u.base); ok {
		is = d.String()
	}
	hint := ""
	if symbol == "C" && len(dims) == 1 && dims[0] == Temperature {
		hint = " (degrees Celsius are written °C)"
	}
	return unit{}, fmt.Errorf("'%s' is %s; %s is needed, such as '%s'%s", s, is, either(dims), dims[0].Example(), hint)
}

// plusMinus reads what stands after ±: in a unit of the same dimension, or a share of the value.
func plusMinus(s, number, symbol string, u unit, v Value) (float64, error) {
	r, err := exact(s, number, symbol)
	if err != nil {
		return 0, err
	}
	if r.Sign() < 0 {
		return 0, fmt.Errorf("'%s' has a negative uncertainty: write the half-width, such as '± 1 %%'", s)
	}
	spread := unit{factor: u.factor, base: u.base} // without °C's shift: a difference
	if symbol != "" {
		if spread, err = parseUnit(symbol); err != nil {
			return 0, fmt.Errorf("'%s': after ±: %w", s, err)
		}
		spread.shift = nil
	}
	if spread.base == u.base && (v.Dimension != Number || symbol == "") {
		return spread.si(s, r)
	}
	if v.Dimension != Temperature && spread.base == (exponents{}) {
		share, err := spread.si(s, r)
		return share * math.Abs(v.SI), err
	}
	return 0, fmt.Errorf("'%s': the uncertainty after ± must be %s or a share in %%", s, v.Dimension)
}

func noNumber(s string, dims []Dimension) error {
	word, _, _ := strings.Cut(tidy(s), " ")
	switch strings.ToLower(strings.TrimLeft(word, "+-")) {
	case "nan", "inf", "infinity":
		return fmt.Errorf("'%s' is not a finite number: %s is needed, such as '%s'", s, either(dims), dims[0].Example())
	case "":
		return fmt.Errorf("it is empty: %s is needed, such as '%s'", either(dims), dims[0].Example())
	}
	return fmt.Errorf("'%s' does not begin with a number: %s is needed, such as '%s'", s, either(dims), dims[0].Example())
}

func either(dims []Dimension) string {
	names := make([]string, len(dims))
	for i, d := range dims {
		names[i] = d.String()
	}
	return strings.Join(names, " or ")
}

// meant offers the unit of one of dims that differs from symbol only in case.
func meant(symbol string, dims []Dimension) string {
	for _, d := range dims {
		for _, known := range descriptions()[d].Shown {
			if strings.EqualFold(known, symbol) {
				return fmt.Sprintf(" (is '%s' meant?)", known)
			}
		}
	}
	return ""
}

// sumOfTimes reads a time in several units, largest first: "2 h 30 min". ok is
// false for anything else, a time in one unit included.
func sumOfTimes(text string) (seconds float64, ok bool) {
	total := new(big.Rat)
	var before *big.Rat
	parts := 0
	for ; text != ""; parts++ {
		number, rest := splitNumber(text)
		end := strings.IndexFunc(rest, func(r rune) bool { return !unicode.IsLetter(r) })
		if end < 0 {
			end = len(rest)
		}
		symbol := rest[:end]
		text = strings.TrimSpace(rest[end:])
		u, err := parseUnit(symbol)
		if number == "" || symbol == "" || err != nil || u.base != descriptions()[Time].Base || u.shift != nil {
			return 0, false
		}
		if before != nil && u.factor.Cmp(before) >= 0 {
			return 0, false
		}
		r, err := exact(number+symbol, number, symbol)
		if err != nil || r.Sign() < 0 {
			return 0, false
		}
		before = u.factor
		total.Add(total, r.Mul(r, u.factor))
	}
	seconds, _ = total.Float64()
	return seconds, parts > 1 && !math.IsInf(seconds, 0)
}
