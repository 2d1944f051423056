package scpi

import (
	"bytes"
	"math"
	"strings"
	"unicode"

	"nightcell/drivers"
)

// The methods below read one answer as the dialect says that this supply writes it. They have the form that a
// query wants: a number, or the reason why there is none.

// value takes the header off an answer; false means that it should have one and has none.
func (d *Dialect) value(b []byte) ([]byte, bool) {
	if !d.Headers {
		return b, true
	}
	b = bytes.TrimSpace(b)
	end := bytes.IndexAny(b, " \t")
	if end < 0 || strings.IndexByte("+-.0123456789", b[0]) >= 0 {
		return nil, false
	}
	return bytes.TrimSpace(b[end:]), true
}

// answers says whether an answer may be that to a query, by its header: the last words of the query, each in its short
// or its long form (SCPI-1999 volume 1, 6.2.1). A header without a channel's number passes for any channel, and
// an answer without a header is left to be refused for that.
func (d *Dialect) answers(b []byte, query string) bool {
	v, ok := d.value(b)
	if !d.Headers || !ok || query == "" {
		return true
	}
	b = bytes.TrimSpace(b)
	header := strings.TrimPrefix(string(bytes.TrimSpace(b[:len(b)-len(v)])), ":")
	query, _, _ = strings.Cut(query, "?")
	if command, _, _ := strings.Cut(query, " "); command != "" {
		query = command
	}
	got, asked := strings.Split(header, ":"), strings.Split(strings.TrimPrefix(query, ":"), ":")
	if len(got) == len(asked)+1 && sameWord(got[0], "SOURCE") { // the word that may be left out of any set-point
		got = got[1:]
	}
	if len(got) > len(asked) {
		return false
	}
	asked = asked[len(asked)-len(got):]
	for i := range got {
		if !sameWord(got[i], asked[i]) {
			return false
		}
	}
	return true
}

// sameWord compares a word of a header with one of a query.
func sameWord(got, asked string) bool {
	const digits = "0123456789"
	g, a := strings.TrimRight(got, digits), strings.TrimRight(asked, digits)
	if len(g) < len(got) && got[len(g):] != asked[len(a):] && (len(a) < len(asked) || got[len(g):] != "1") {
		return false // another channel; no number means the first
	}
	return strings.EqualFold(g, a) || strings.EqualFold(g, short(a)) || strings.EqualFold(short(g), a)
}

// short is the short form of a word: its first four letters, or three if the fourth is a vowel.
func short(word string) string {
	switch {
	case len(word) <= 4:
		return word
	case strings.IndexByte("AEIOUaeiou", word[3]) >= 0:
		return word[:3]
	}
	return word[:4]
}

// parts splits a combined query into the two that are answered in one line, the second
// written out from the root; a query that is not made of two has none.
func parts(both string) (p [2]string) {
	first, second, ok := strings.Cut(both, ";")
	if !ok || strings.Contains(second, ";") {
		return p
	}
	if path := strings.LastIndexByte(strings.SplitN(first, "?", 2)[0], ':'); path > 0 && !strings.HasPrefix(second, ":") {
		second = first[:path+1] + second
	}
	return [2]string{first, second}
}

// number reads a measured value, whose unit must be there if the dialect has one.
func (d *Dialect) number(b []byte, unit string) (float64, drivers.Reason) {
	v, ok := d.value(b)
	if !ok {
		return 0, unlike(b)
	}
	return parseNumber(v, unit)
}

// volts and amperes read a measured value in V and A.
func (d *Dialect) volts(b []byte, unit string) (float64, drivers.Reason) {
	x, why := d.number(b, unit)
	return milli(x, d.Millivolts), why
}

func (d *Dialect) amperes(b []byte, unit string) (float64, drivers.Reason) {
	x, why := d.number(b, unit)
	return milli(x, d.Milliamperes), why
}

func milli(x float64, is bool) float64 {
	if is {
		return x / 1000
	}
	return x
}

// level reads a set-point or a protection level. Many supplies that write units do so in measured values alone.
func level(number parser) parser {
	return func(b []byte, unit string) (float64, drivers.Reason) {
		if !bytes.HasSuffix(bytes.TrimSpace(b), []byte(unit)) {
			unit = ""
		}
		return number(b, unit)
	}
}

// register reads a condition register.
func (d *Dialect) register(b []byte, _ string) (float64, drivers.Reason) {
	if d.RegisterByte {
		if len(b) != 1 {
			b = bytes.TrimRight(b, "\r\n")
		}
		if len(b) != 1 {
			return 0, unlike(b)
		}
		return float64(b[0]), ""
	}
	v, ok := d.value(b)
	if !ok {
		return 0, unlike(b)
	}
	x, why := parseRegister(v)
	return float64(x), why
}

// flag reads yes or no as 1 or 0.
func (d *Dialect) flag(b []byte, _ string) (float64, drivers.Reason) {
	v, ok := d.value(b)
	if !ok {
		return 0, unlike(b)
	}
	on, why := parseBool(v)
	if on {
		return 1, why
	}
	return 0, why
}

// outputState reads whether the output is on, as 1 or 0.
func (d *Dialect) outputState(b []byte, _ string) (float64, drivers.Reason) {
	if d.OutputOn == 0 {
		return d.flag(b, "")
	}
	x, why := d.register(b, "")
	if uint16(x)&d.OutputOn != 0 {
		return 1, why
	}
	return 0, why
}

// mode reads the regulation mode, as the number of a drivers.Mode. A word that the dialect does not
// name, such as one for an output that is off, leaves it unknown: no reading may be lost for it.
func (d *Dialect) mode(b []byte, _ string) (float64, drivers.Reason) {
	if v, ok := d.value(b); ok && !d.RegisterByte {
		v = bytes.TrimSpace(v)
		for mode, word := range map[drivers.Mode]string{
			drivers.ConstantVoltage: d.ModeConstantVoltageWord, drivers.ConstantCurrent: d.ModeConstantCurrentWord,
			drivers.Unregulated: d.ModeUnregulatedWord,
		} {
			if word != "" && bytes.EqualFold(v, []byte(word)) {
				return float64(mode), ""
			}
		}
		if len(v) > 0 && !bytes.ContainsFunc(v, func(r rune) bool { return !unicode.IsLetter(r) }) {
			return float64(drivers.ModeUnknown), ""
		}
	}
	x, why := d.register(b, "")
	return float64(d.modeOf(uint16(x))), why
}

// modeOf reads the mode from the register that the dialect names. With no bit of a mask
// set the supply regulates nothing, or its dialect says what that means.
func (d *Dialect) modeOf(register uint16) drivers.Mode {
	switch current, voltage := register&d.ModeConstantCurrent != 0, register&d.ModeConstantVoltage != 0; {
	case register&d.ModeUnregulated != 0, current && voltage:
		return drivers.Unregulated
	case current:
		return drivers.ConstantCurrent
	case voltage:
		return drivers.ConstantVoltage
	}
	return drivers.ParseMode(d.ModeOtherwise)
}

// channel reads which channel is selected.
func (d *Dialect) channel(b []byte, _ string) (float64, drivers.Reason) {
	v, ok := d.value(b)
	v = bytes.TrimSpace(v)
	before, after, _ := strings.Cut(d.SelectedAnswer, channelMark)
	whole := len(before) + len(after)
	if !ok || len(v) < whole || !bytes.EqualFold(v[:len(before)], []byte(before)) || !bytes.EqualFold(v[len(v)-len(after):], []byte(after)) {
		return 0, unlike(b)
	}
	x, why := parseNumber(v[len(before):len(v)-len(after)], "")
	if why == "" && x != math.Trunc(x) { // late volts of 1.2 are not channel 1
		return 0, drivers.NotNumeric
	}
	return x, why
}

// unlike is the reason for an answer that does not look as the dialect says.
func unlike(b []byte) drivers.Reason {
	if len(bytes.TrimSpace(b)) == 0 {
		return drivers.Blank
	}
	return drivers.NotNumeric
}
