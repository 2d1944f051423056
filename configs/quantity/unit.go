package quantity

import (
	"fmt"
	"math/big"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"
)

// unit is what a unit's spelling means: SI value = (number + shift) × factor.
type unit struct {
	factor *big.Rat
	shift  *big.Rat // nil for all but °C and °F
	base   exponents
}

// atom is a unit symbol that is not built from others; units.toml says what each part is.
type atom struct {
	Of       Dimension
	Num, Den int64
	Prefixes string
}

// atoms holds every symbol.
var atoms = sync.OnceValue(func() map[string]atom {
	var all struct{ Unit map[string]atom }
	_, _ = toml.Decode(unitsText, &all) // the tests read every row
	return all.Unit
})

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
	for i, e := range descriptions()[a.Of].Base {
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
	if a, ok := atoms()[symbol]; ok {
		return a, big.NewRat(a.Num, a.Den), true
	}
	for p, size := range prefixes {
		rest, ok := strings.CutPrefix(symbol, string(p))
		if !ok {
			continue
		}
		if a, ok := atoms()[rest]; ok && strings.ContainsRune(a.Prefixes, p) {
			r := big.NewRat(a.Num, a.Den)
			return a, r.Mul(r, big.NewRat(size[0], size[1])), true
		}
	}
	return atom{}, nil, false
}
