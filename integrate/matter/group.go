package matter

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// partReader reads one part of a formula, between dots.
type partReader struct {
	text string
	at   int
}

// readPart reads a multiplier and the units after it and returns the atoms, already multiplied.
func readPart(part string) ([]Atoms, float64, error) {
	r := &partReader{text: part}
	number, err := r.multiplier()
	if err != nil {
		return nil, 0, err
	}
	if r.at == len(part) {
		return nil, 0, fmt.Errorf("%q has a number but no element", part)
	}
	atoms, err := r.units(0, 0)
	if err != nil {
		return nil, 0, err
	}
	for i := range atoms {
		atoms[i].Number *= number
	}
	return atoms, number, nil
}

// multiplier reads the number before a part, 1 if there is none.
func (r *partReader) multiplier() (float64, error) {
	end := 0
	for end < len(r.text) && (isDigit(r.text[end]) || r.text[end] == '.') {
		end++
	}
	if end == 0 {
		return 1, nil
	}
	number, err := strconv.ParseFloat(r.text[:end], 64)
	if err != nil || number <= 0 || number > largestNumber {
		return 0, fmt.Errorf("multiplier %q: a number above 0 and up to %d is needed", r.text[:end], largestNumber)
	}
	r.at = end
	return number, nil
}

// units reads elements and bracketed groups up to the closing bracket, or to the end if closing is 0.
func (r *partReader) units(closing byte, depth int) ([]Atoms, error) {
	if depth > deepestNesting {
		return nil, fmt.Errorf("brackets nested more than %d deep", deepestNesting)
	}
	var atoms []Atoms
	for r.at < len(r.text) {
		c := r.text[r.at]
		var unit []Atoms
		switch {
		case c == '(' || c == '[' || c == '{':
			r.at++
			group, err := r.units(")]}"[strings.IndexByte("([{", c)], depth+1)
			if err != nil {
				return nil, err
			}
			unit = group
		case c == ')' || c == ']' || c == '}':
			if c != closing {
				return nil, fmt.Errorf("%q closes a bracket that was not opened with its partner", string(c))
			}
			r.at++
			if len(atoms) == 0 {
				return nil, fmt.Errorf("an empty pair of brackets")
			}
			return atoms, nil
		case 'A' <= c && c <= 'Z':
			element, err := r.element()
			if err != nil {
				return nil, err
			}
			unit = []Atoms{{Element: element, Number: 1}}
		default:
			return nil, r.unexpected(c)
		}
		number, err := r.subscript()
		if err != nil {
			return nil, err
		}
		for _, a := range unit {
			atoms = append(atoms, Atoms{Element: a.Element, Number: a.Number * number})
		}
		atoms = collect(atoms)
	}
	if closing != 0 {
		return nil, fmt.Errorf("a bracket is not closed; %q is missing", string(closing))
	}
	return atoms, nil
}

// element reads a symbol: a capital and the small letter after it, if any.
func (r *partReader) element() (Element, error) {
	end := r.at + 1
	if end < len(r.text) && 'a' <= r.text[end] && r.text[end] <= 'z' {
		end++
	}
	symbol := r.text[r.at:end]
	element, ok := LookUpElement(symbol)
	if !ok {
		hint := ""
		if r.at+2 <= len(r.text) {
			pair := r.text[r.at:r.at+1] + strings.ToLower(r.text[r.at+1:r.at+2])
			if e, known := LookUpElement(pair); known && pair != symbol {
				hint = fmt.Sprintf("; %s is written %s", e.Name, pair)
			}
		}
		return Element{}, fmt.Errorf("there is no element %q%s", symbol, hint)
	}
	if !element.Weight.Known() {
		return Element{}, fmt.Errorf("%s (%s) is radioactive and has no standard atomic weight", element.Name, symbol)
	}
	r.at = end
	return element, nil
}

// subscript reads the number after an element or group, 1 if there is none.
func (r *partReader) subscript() (float64, error) {
	start := r.at
	for r.at < len(r.text) && isDigit(r.text[r.at]) {
		r.at++
	}
	if start == r.at {
		return 1, nil
	}
	digits := r.text[start:r.at]
	if r.at < len(r.text) && r.text[r.at] == '.' {
		return 0, fmt.Errorf("the full stop after %q could be a decimal point or a dot between parts; write · between parts, and whole subscripts", digits)
	}
	number, err := strconv.Atoi(digits)
	if err != nil || number < 1 || number > largestNumber || digits[0] == '0' {
		return 0, fmt.Errorf("subscript %q: a whole number from 1 to %d is needed", digits, largestNumber)
	}
	return float64(number), nil
}

// unexpected says what is wrong with a character that begins no unit.
func (r *partReader) unexpected(c byte) error {
	switch {
	case c == 'x' || c == 'n':
		return fmt.Errorf("%q means an unknown number; say how many, or state the metal by assay", string(c))
	case 'a' <= c && c <= 'z':
		for _, end := range []int{min(r.at+2, len(r.text)), r.at + 1} {
			if e, ok := LookUpElement(strings.ToUpper(string(c)) + r.text[r.at+1:end]); ok {
				return fmt.Errorf("symbols begin with a capital: %s is written %s", e.Name, e.Symbol)
			}
		}
		return fmt.Errorf("%q begins no element; symbols begin with a capital", string(c))
	case c == '+' || c == '-' || c == '^':
		return fmt.Errorf("a charge is written once, at the end, like ^2+")
	}
	return fmt.Errorf("%q is out of place", string(c))
}

// OxidationState returns the mean oxidation state of an element in the formula, from the usual
// states of all others (OpenStax Chemistry 2e, section 4.2: oxygen -2, hydrogen +1, halides -1,
// metals of groups 1 and 2 +1 and +2) and of sulfur, nitrogen and carbon in the anions of winning baths.
// ok is false where that does not settle it, as with two winnable metals or thiosulfate.
func (f Formula) OxidationState(symbol string) (state float64, ok bool) {
	if f.Count(symbol) == 0 {
		return 0, false
	}
	rest := float64(f.Charge)
	for _, a := range f.atoms {
		if a.Element.Symbol == symbol {
			continue
		}
		usual, known := f.usualState(a.Element.Symbol)
		if !known {
			return 0, false
		}
		rest -= usual * a.Number
	}
	state = rest / f.Count(symbol)
	return state, state > 0 && state <= 8
}

// usualState returns the oxidation state that an element other than a winnable metal has in the formula.
func (f Formula) usualState(symbol string) (state float64, known bool) {
	for _, row := range formulas().State {
		if slices.Contains(row.Of, symbol) && f.shows(row.anion) {
			return row.State, !f.contains(row.Unless)
		}
	}
	return 0, false
}
