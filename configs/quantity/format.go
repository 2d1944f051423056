package quantity

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
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
	return join(strconv.FormatFloat(v, 'g', -1, 64), descriptions[d].si)
}

// Round writes v, in the SI unit of d, for people: in a handy unit and with the
// given number of significant digits (at least 1).
func Round(d Dimension, v float64, digits int) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return "unknown"
	}
	symbol, u := handy(d, v)
	return join(significant(u.number(v), digits), symbol)
}

// Short writes v to some digits, without the zeros at its end.
func Short(d Dimension, v float64, digits int) string {
	short, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', digits, 64), 64)
	if err != nil {
		short = v
	}
	return Format(d, short)
}

// In returns v, in the SI unit of d, as a number of unitSymbol.
func In(d Dimension, v float64, unitSymbol string) (float64, error) {
	u, err := parseUnit(unitSymbol)
	if err != nil {
		return 0, err
	}
	if u.base != descriptions[d].base {
		return 0, fmt.Errorf("'%s' is not a unit of %s", unitSymbol, d)
	}
	return u.number(v), nil
}

// handy picks the largest of d's shown units that leaves at least one whole unit, else the smallest.
func handy(d Dimension, v float64) (string, unit) {
	shown := descriptions[d].shown
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

func significant(number float64, digits int) string {
	f, _ := strconv.ParseFloat(strconv.FormatFloat(number, 'e', max(digits, 1)-1, 64), 64)
	if size := math.Abs(f); f != 0 && (size >= 1e6 || size < 1e-3) {
		return strconv.FormatFloat(f, 'e', max(digits, 1)-1, 64)
	}
	whole := 1
	if f != 0 {
		whole = int(math.Floor(math.Log10(math.Abs(f)))) + 1
	}
	return strconv.FormatFloat(f, 'f', max(digits-max(whole, 0)-min(whole, 0), 0), 64)
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

// Maybe is a number that may be unknown or infinite. JSON has neither: both are null there, and null is read as NaN.
type Maybe float64

// MarshalJSON writes the shortest decimal that reads back to the same bits.
func (m Maybe) MarshalJSON() ([]byte, error) { return AppendJSON(nil, float64(m)), nil }

// UnmarshalJSON reads null as NaN.
func (m *Maybe) UnmarshalJSON(data []byte) error {
	if string(data) == "null" {
		*m = Maybe(math.NaN())
		return nil
	}
	return json.Unmarshal(data, (*float64)(m))
}

// AppendJSON appends v as Maybe is written; long columns of numbers are built with it.
func AppendJSON(b []byte, v float64) []byte {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return append(b, "null"...)
	}
	if size := math.Abs(v); size == 0 || size >= 1e-6 && size < 1e21 { // where encoding/json writes no exponent either
		return strconv.AppendFloat(b, v, 'f', -1, 64)
	}
	return strconv.AppendFloat(b, v, 'e', -1, 64)
}
