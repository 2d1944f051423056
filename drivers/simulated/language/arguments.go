package language

import (
	"math"
	"strconv"
	"strings"
)

// Call is one command in the act of being executed: its numeric suffixes and the arguments not yet taken.
type Call struct {
	suffixes  []int
	arguments []string
}

// Suffix returns the first numeric suffix of the header; ok is false if it had none.
func (c *Call) Suffix() (number int, ok bool) {
	if len(c.suffixes) == 0 {
		return 0, false
	}
	return c.suffixes[0], true
}

// Done reports −108 if arguments are left over. Every command form calls it before it acts.
func (c *Call) Done() error { return c.finished() }

func (c *Call) finished() error {
	if len(c.arguments) > 0 {
		return Error{Number: ParameterNotAllowed, Info: c.arguments[0]}
	}
	return nil
}

func (c *Call) take() (string, error) {
	if len(c.arguments) == 0 {
		return "", Error{Number: MissingParameter}
	}
	a := c.arguments[0]
	c.arguments = c.arguments[1:]
	return a, nil
}

// Range is what a numeric parameter may be.
type Range struct {
	Minimum, Maximum, Default float64
	Unit                      string // "V", "A", or "" if no unit may follow
}

// Number takes a decimal number with an optional unit, or MINimum, MAXimum or DEFault, and checks its range.
func (c *Call) Number(r Range) (float64, error) {
	a, err := c.take()
	if err != nil {
		return 0, err
	}
	if v, ok := r.special(a); ok {
		return v, nil
	}
	v, err := parseNumber(a, r.Unit)
	if err != nil {
		return 0, err
	}
	if !(v >= r.Minimum && v <= r.Maximum) {
		return 0, Error{Number: OutOfRange, Info: a}
	}
	return v, nil
}

// Limit takes an optional MINimum, MAXimum or DEFault of a query such as VOLTage? MAXimum; ok is false if there is none.
func (c *Call) Limit(r Range) (v float64, ok bool, err error) {
	if len(c.arguments) == 0 {
		return 0, false, nil
	}
	a := c.arguments[0]
	c.arguments = c.arguments[1:]
	if v, ok = r.special(a); !ok {
		return 0, false, Error{Number: IllegalParameter, Info: a}
	}
	return v, true, nil
}

func (r Range) special(word string) (float64, bool) {
	switch strings.ToUpper(word) {
	case "MIN", "MINIMUM":
		return r.Minimum, true
	case "MAX", "MAXIMUM":
		return r.Maximum, true
	case "DEF", "DEFAULT":
		return r.Default, true
	}
	return 0, false
}

// multipliers of IEEE 488.2 table 7-2 that a bench supply meets. In SCPI M is milli; mega is MA, and needs a unit after it.
var multipliers = map[string]float64{"": 1, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9, "MA": 1e6, "G": 1e9}

// parseNumber reads a decimal, #H, #Q or #B number, with the unit or a multiple of it.
func parseNumber(text, unit string) (float64, error) {
	if strings.HasPrefix(text, "#") && len(text) > 2 {
		base := map[byte]int{'H': 16, 'Q': 8, 'B': 2}[text[1]&^0x20]
		if base == 0 {
			return 0, Error{Number: DataTypeError, Info: text}
		}
		n, err := strconv.ParseUint(text[2:], base, 53)
		if err != nil {
			return 0, Error{Number: InvalidNumber, Info: text}
		}
		return float64(n), nil
	}
	if c := text[0]; c == '"' || c == '\'' || c == '(' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' {
		return 0, Error{Number: DataTypeError, Info: text}
	}
	end := numberEnd(text)
	v, err := strconv.ParseFloat(text[:end], 64)
	if err != nil && !math.IsInf(v, 0) {
		return 0, Error{Number: InvalidNumber, Info: text}
	}
	suffix := strings.ToUpper(strings.TrimSpace(text[end:]))
	if suffix == "" {
		return v, nil
	}
	if unit == "" {
		return 0, Error{Number: SuffixNotAllowed, Info: suffix}
	}
	factor, known := multipliers[strings.TrimSuffix(suffix, unit)]
	if !known || !strings.HasSuffix(suffix, unit) {
		return 0, Error{Number: InvalidSuffix, Info: suffix}
	}
	return v * factor, nil
}

// numberEnd is the length of the leading decimal number: digits, point, exponent.
func numberEnd(s string) int {
	i := 0
	digits := func() {
		for i < len(s) && s[i] >= '0' && s[i] <= '9' {
			i++
		}
	}
	if i < len(s) && (s[i] == '+' || s[i] == '-') {
		i++
	}
	digits()
	if i < len(s) && s[i] == '.' {
		i++
		digits()
	}
	if i+1 < len(s) && (s[i] == 'e' || s[i] == 'E') {
		mark := i
		i++
		if s[i] == '+' || s[i] == '-' {
			i++
		}
		first := i
		if digits(); i == first {
			i = mark
		}
	}
	return i
}

// Boolean takes ON, OFF or a number, of which only the rounded value zero is off.
func (c *Call) Boolean() (bool, error) {
	a, err := c.take()
	if err != nil {
		return false, err
	}
	switch strings.ToUpper(a) {
	case "ON":
		return true, nil
	case "OFF":
		return false, nil
	}
	v, err := parseNumber(a, "")
	if err != nil {
		if e, ok := err.(Error); ok && e.Number == DataTypeError {
			return false, Error{Number: IllegalParameter, Info: a}
		}
		return false, err
	}
	return math.RoundToEven(v) != 0, nil
}

// Word takes one of the given mnemonics, in short or long form, and returns its index.
func (c *Call) Word(words ...string) (int, error) {
	a, err := c.take()
	if err != nil {
		return 0, err
	}
	for i, w := range words {
		n := (&node{}).child(w)
		if u := strings.ToUpper(a); u == n.short || u == n.long {
			return i, nil
		}
	}
	return 0, Error{Number: IllegalParameter, Info: a}
}

// Channels takes a trailing channel list such as (@1), (@1,3) or (@1:3); nil if there is none. most is the highest channel.
func (c *Call) Channels(most int) ([]int, error) {
	if len(c.arguments) == 0 || !strings.HasPrefix(c.arguments[len(c.arguments)-1], "(") {
		return nil, nil
	}
	text := c.arguments[len(c.arguments)-1]
	c.arguments = c.arguments[:len(c.arguments)-1]
	inner, ok := strings.CutPrefix(strings.ReplaceAll(strings.TrimSuffix(text, ")"), " ", ""), "(@")
	if !ok || inner == "" {
		return nil, Error{Number: InvalidExpression, Info: text}
	}
	var list []int
	for _, part := range strings.Split(inner, ",") {
		first, last, span := strings.Cut(part, ":")
		if !span {
			last = first
		}
		from, err := strconv.Atoi(first)
		to, err2 := strconv.Atoi(last)
		if err != nil || err2 != nil {
			return nil, Error{Number: InvalidExpression, Info: text}
		}
		if from < 1 || to < from || to > most {
			return nil, Error{Number: OutOfRange, Info: text}
		}
		for n := from; n <= to; n++ {
			list = append(list, n)
		}
	}
	return list, nil
}
