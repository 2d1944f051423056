package matter

import "strings"

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
	contains := func(parts ...string) bool {
		for _, p := range parts {
			if strings.Contains(f.text, p) {
				return true
			}
		}
		return false
	}
	mesylate, sulfamate := contains("CH3SO3"), contains("NH2SO3", "SO3NH2")
	switch symbol {
	case "H", "Li", "Na", "K", "Rb", "Cs":
		return 1, true
	case "Mg", "Ca", "Sr", "Ba":
		return 2, true
	case "O":
		return -2, !contains("H2O2")
	case "F", "Cl", "Br", "I":
		return -1, !contains("ClO", "BrO", "IO")
	case "B", "Al":
		return 3, true
	case "Si":
		return 4, true
	case "P":
		return 5, contains("PO4")
	case "S":
		switch {
		case mesylate:
			return 4, !contains("SO4")
		case contains("SO4") || sulfamate:
			return 6, true
		}
		return -2, f.Count("O") == 0
	case "N":
		reduced, oxidized := contains("NH", "CN"), contains("NO3")
		if oxidized {
			return 5, !reduced
		}
		return -3, reduced
	case "C":
		acetate := contains("CH3COO", "C2H3O2", "CH3CO2")
		switch {
		case mesylate:
			return -2, !acetate
		case acetate:
			return 0, true
		case contains("CO3"):
			return 4, true
		}
		return 2, contains("CN")
	}
	return 0, false
}
