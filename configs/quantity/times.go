package quantity

import (
	"math"
	"math/big"
	"strings"
	"unicode"
)

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
		if number == "" || symbol == "" || err != nil || u.base != descriptions[Time].base || u.shift != nil {
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
