package quantity

import (
	"fmt"
	"math/big"
	"strings"
)

// unit is what a unit's spelling means: SI value = (number + shift) × factor.
type unit struct {
	factor *big.Rat
	shift  *big.Rat // nil for all but °C and °F
	base   exponents
}

// atom is a unit symbol that is not built from others, its exact size in the
// unit that its exponents stand for (num/den), and the prefixes it may carry.
type atom struct {
	num, den int64
	base     exponents
	prefixes string
}

// atoms holds every symbol. The sizes of foot, inch, pound, ounce and US gallon
// are exact by definition (NIST SP 811, appendix B). Symbols are case-sensitive,
// and prefixes are listed one by one, so that nothing is read as what it is not:
// "min" is never a milli-inch and "Mg" no megagram.
var atoms = map[string]atom{
	"%":   {1, 100, exponents{}, ""},
	"ppm": {1, 1_000_000, exponents{}, ""},
	"m":   {1, 1, exponents{0, 1}, "nµumcdk"},
	"in":  {254, 10_000, exponents{0, 1}, ""},
	"ft":  {3048, 10_000, exponents{0, 1}, ""},
	"L":   {1, 1000, exponents{0, 3}, "µumcd"},
	"l":   {1, 1000, exponents{0, 3}, "µumcd"},
	"gal": {3_785_411_784, 1_000_000_000_000, exponents{0, 3}, ""},
	"g":   {1, 1000, exponents{1}, "µumk"},
	"t":   {1000, 1, exponents{1}, ""},
	"lb":  {45_359_237, 100_000_000, exponents{1}, ""},
	"oz":  {45_359_237, 1_600_000_000, exponents{1}, ""},
	"mol": {1, 1, exponents{5: 1}, "nµumk"},
	"M":   {1000, 1, exponents{0, -3, 0, 0, 0, 1}, "µum"},
	"s":   {1, 1, exponents{2: 1}, "nµum"},
	"min": {60, 1, exponents{2: 1}, ""},
	"h":   {3600, 1, exponents{2: 1}, ""},
	"d":   {86_400, 1, exponents{2: 1}, ""},
	"K":   {1, 1, exponents{4: 1}, "m"},
	"A":   {1, 1, exponents{3: 1}, "nµumk"},
	"ASF": {100_000_000, 9_290_304, exponents{0, -2, 0, 1}, ""},
	"C":   {1, 1, exponents{2: 1, 3: 1}, "µumkM"},
	"Ah":  {3600, 1, exponents{2: 1, 3: 1}, "mk"},
	"As":  {1, 1, exponents{2: 1, 3: 1}, "m"},
	"V":   {1, 1, exponents{1, 2, -3, -1}, "nµumk"},
	"W":   {1, 1, exponents{1, 2, -3}, "µumkM"},
	"J":   {1, 1, exponents{1, 2, -2}, "mkMG"},
	"Wh":  {3600, 1, exponents{1, 2, -2}, "mkM"},
	"Ω":   {1, 1, exponents{1, 2, -3, -2}, "µumkM"},
	"ohm": {1, 1, exponents{1, 2, -3, -2}, "µumkM"},
	"S":   {1, 1, exponents{-1, -2, 3, 2}, "µum"},
	"Pa":  {1, 1, exponents{1, -1, -2}, "hk"},
	"bar": {100_000, 1, exponents{1, -1, -2}, "m"},
	"B":   {1, 1, exponents{6: 1}, "kMGT"},
	"KiB": {1 << 10, 1, exponents{6: 1}, ""},
	"MiB": {1 << 20, 1, exponents{6: 1}, ""},
	"GiB": {1 << 30, 1, exponents{6: 1}, ""},
}

var prefixes = map[rune][2]int64{
	'n': {1, 1_000_000_000}, 'µ': {1, 1_000_000}, 'u': {1, 1_000_000}, 'm': {1, 1000},
	'c': {1, 100}, 'd': {1, 10}, 'h': {100, 1}, 'k': {1000, 1}, 'M': {1_000_000, 1}, 'G': {1_000_000_000, 1}, 'T': {1_000_000_000_000, 1},
}

// spelling brings the ways of writing one unit together: superscripts, the signs
// for a product, the two code points of micro and of ohm.
var spelling = strings.NewReplacer("²", "2", "³", "3", "¹", "1", "⁻", "-", "−", "-", "^", "",
	"·", " ", "⋅", " ", "×", " ", "*", " ", "\u03bc", "µ", "\u2126", "Ω", "degC", "°C", "degF", "°F", "℃", "°C", "℉", "°F")

// parseUnit reads a unit such as "A/dm2", "A h", "mS/cm", "kWh/kg" or "g L^-1".
func parseUnit(s string) (unit, error) {
	s = strings.TrimSpace(spelling.Replace(s))
	switch s {
	case "°C":
		return unit{big.NewRat(1, 1), big.NewRat(27315, 100), exponents{4: 1}}, nil
	case "°F":
		return unit{big.NewRat(5, 9), big.NewRat(45967, 100), exponents{4: 1}}, nil
	}
	u := unit{factor: big.NewRat(1, 1)}
	for i, part := range strings.Split(s, "/") {
		fields := strings.Fields(part)
		switch {
		case i > 0 && len(fields) != 1:
			return unit{}, fmt.Errorf("the unit %q is not clear after the slash: write one unit after each slash", s)
		case i == 0 && len(fields) == 0 && !strings.HasPrefix(s, "/"):
			return unit{}, fmt.Errorf("no unit")
		}
		for _, f := range fields {
			if err := u.multiply(f, i > 0); err != nil {
				return unit{}, err
			}
		}
	}
	return u, nil
}

// multiply works one factor such as "dm2" or "L-1" into u, below the bar when divide is set.
func (u *unit) multiply(factor string, divide bool) error {
	symbol, power := splitPower(factor)
	a, size, ok := lookup(symbol)
	if !ok || power == 0 {
		return fmt.Errorf("unknown unit %q", factor)
	}
	if divide {
		power = -power
	}
	for range max(power, -power) {
		if power < 0 {
			u.factor.Quo(u.factor, size)
		} else {
			u.factor.Mul(u.factor, size)
		}
	}
	for i, e := range a.base {
		u.base[i] += e * int16(power)
	}
	return nil
}

// splitPower cuts a trailing exponent of one digit off a factor; without one it
// is 1. Anything that is not an exponent stays in the symbol, which then is unknown.
func splitPower(factor string) (symbol string, power int) {
	n := len(factor)
	if n < 2 || factor[n-1] < '0' || factor[n-1] > '4' {
		return factor, 1
	}
	power = int(factor[n-1] - '0')
	symbol, negative := strings.CutSuffix(factor[:n-1], "-")
	if negative {
		power = -power
	}
	return symbol, power
}

// lookup finds a symbol as it stands or, failing that, as prefix and symbol.
func lookup(symbol string) (atom, *big.Rat, bool) {
	if a, ok := atoms[symbol]; ok {
		return a, big.NewRat(a.num, a.den), true
	}
	for p, size := range prefixes {
		rest, ok := strings.CutPrefix(symbol, string(p))
		if !ok {
			continue
		}
		if a, ok := atoms[rest]; ok && strings.ContainsRune(a.prefixes, p) {
			r := big.NewRat(a.num, a.den)
			return a, r.Mul(r, big.NewRat(size[0], size[1])), true
		}
	}
	return atom{}, nil, false
}
