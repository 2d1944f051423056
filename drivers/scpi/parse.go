package scpi

import (
	"bytes"
	"math"
	"regexp"
	"strconv"

	"nightcell/drivers"
)

// The special values of SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5. A supply may
// write them with fewer or more digits, so what lies near them counts as them.
const (
	notANumber = 9.91e37
	infinity   = 9.9e37
)

// parseNumber reads one numeric response of IEEE 488.2: NR1, NR2 or NR3 (8.7.2 to
// 8.7.4), followed by unit. It is strict, because a number that lost a character
// must not pass where the loss shows: a point needs digits on both sides. The
// reason is empty when the number can be used.
func parseNumber(b []byte, unit string) (float64, drivers.Reason) {
	b = bytes.TrimSpace(b)
	if unit != "" {
		if len(b) < len(unit) || string(b[len(b)-len(unit):]) != unit {
			return 0, drivers.NotNumeric
		}
		b = bytes.TrimSpace(b[:len(b)-len(unit)])
	}
	if len(b) == 0 {
		return 0, drivers.Blank
	}
	if !isNumeric(b) {
		return 0, specialWord(b)
	}
	x, err := strconv.ParseFloat(string(b), 64)
	if err != nil { // beyond float64
		return 0, drivers.Overflow
	}
	switch a := math.Abs(x); {
	case a > 0.5*(notANumber+infinity) && a < notANumber*1.0005:
		return 0, drivers.NotANumber
	case a >= 0.99*infinity:
		return 0, drivers.Overflow
	}
	return x, ""
}

// specialWord tells a refusal's reason for what is no number. The words are not of
// the standard, but some firmware prints its library's text for such a value.
func specialWord(b []byte) drivers.Reason {
	switch w := bytes.TrimLeft(b, "+-"); {
	case bytes.EqualFold(w, []byte("nan")):
		return drivers.NotANumber
	case bytes.EqualFold(w, []byte("inf")), bytes.EqualFold(w, []byte("ninf")):
		return drivers.Overflow
	}
	return drivers.NotNumeric
}

// numeric is [sign] digits [ "." digits ] [ "E" [sign] digits ], and isNumeric says whether b is that and not longer than a number of a supply can be.
var numeric = regexp.MustCompile(`^[+-]?[0-9]+(?:\.[0-9]+)?(?:[Ee][+-]?[0-9]{1,3})?$`)

func isNumeric(b []byte) bool { return len(b) <= 24 && numeric.Match(b) }

// parseRegister reads the answer of a condition register: NR1, 0 to 32767 (SCPI-1999
// volume 2, 20; bit 15 is never used), or a hexadecimal number of up to 16 bits, as #H14 (IEEE 488.2) or as 0x14.
func parseRegister(b []byte) (uint16, drivers.Reason) {
	b = bytes.TrimSpace(b)
	if len(b) > 2 && (b[0] == '#' && b[1]|0x20 == 'h' || b[0] == '0' && b[1]|0x20 == 'x') {
		x, err := strconv.ParseUint(string(b[2:]), 16, 16)
		if err != nil {
			return 0, drivers.NotNumeric
		}
		return uint16(x), ""
	}
	x, why := parseNumber(b, "")
	if why != "" {
		return 0, why
	}
	if x != math.Trunc(x) || x < 0 || x > 32767 {
		return 0, drivers.NotNumeric
	}
	return uint16(x), ""
}

// parseBool reads a boolean response: 1 or 0 in SCPI-1999, or the words that
// some firmware answers instead.
func parseBool(b []byte) (bool, drivers.Reason) {
	b = bytes.TrimSpace(b)
	switch {
	case len(b) == 0:
		return false, drivers.Blank
	case len(b) == 1 && b[0] == '1', bytes.EqualFold(b, []byte("on")):
		return true, ""
	case len(b) == 1 && b[0] == '0', bytes.EqualFold(b, []byte("off")):
		return false, ""
	}
	return false, drivers.NotNumeric
}

// parseError reads an entry of the error queue: number,"text" (SCPI-1999 volume 2, 21.8). Some firmware leaves the quotes
// out; the text must then begin with a letter.
func parseError(b []byte) (number int, why drivers.Reason) {
	b = bytes.TrimSpace(b)
	head, tail, found := bytes.Cut(b, []byte(","))
	if len(b) == 0 {
		return 0, drivers.Blank
	}
	if found {
		tail = bytes.TrimSpace(tail)
		quoted := len(tail) >= 2 && tail[0] == '"' && tail[len(tail)-1] == '"'
		if bare := len(tail) >= 2 && (tail[0]|0x20 >= 'a' && tail[0]|0x20 <= 'z') && !bytes.ContainsAny(tail, "\";,"); !quoted && !bare {
			return 0, drivers.NotNumeric
		}
	}
	n, err := strconv.Atoi(string(bytes.TrimSpace(head)))
	if err != nil || n < -32768 || n > 32767 {
		return 0, drivers.NotNumeric
	}
	return n, ""
}
