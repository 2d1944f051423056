package bath

import (
	"fmt"
	"math"
	"strings"

	"nightcell/integrate/matter"
)

func (c Contents) parseSalts(m *mistakes, s *contents) []matter.Formula {
	formulas := make([]matter.Formula, len(c.Salts))
	for i, salt := range c.Salts {
		field := fmt.Sprintf("salts[%d].", i)
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			m.add(field+"formula", "", "%v", err)
			continue
		}
		formulas[i] = f
		s.notes = append(s.notes, f.Notes...)
		hasMass := m.positive(field+"mass", "a mass above zero is needed, such as 250 g", salt.Mass)
		hasConcentration := m.positive(field+"concentration", "a concentration above zero is needed, such as 260 g/L", salt.Concentration)
		if hasMass && hasConcentration {
			m.add(field+"mass", "leave one out", "both mass and concentration of %s are stated", f)
		}
		if !salt.Mass.Known() && !salt.Concentration.Known() && len(matter.WinnableIn(f)) > 0 {
			m.add(field+"mass", "state it, such as 250 g", "neither mass nor concentration of %s is stated", f)
		}
		m.share(field+"assay", salt.Assay, "no salt holds more than itself")
	}
	if s.medium == "" {
		s.medium = mediumOf(formulas)
	}
	if s.medium == "" {
		var m matter.Metal
		if s.medium, m = usualMedium(c.Metal, formulas); s.medium != "" {
			s.notes = append(s.notes, fmt.Sprintf("the medium is not stated: %s is taken, as is usual for %s; gas, acid and volts follow from it, so state it", s.medium, m.Element.Name))
		}
	}
	return formulas
}

// MediumTold returns the medium that was stated, or else that of the first salt with
// a winnable metal, or else of the first salt, that tells one, or else the metal's usual one.
func (c Contents) MediumTold() matter.Medium {
	if c.Medium != "" {
		return c.Medium
	}
	var formulas []matter.Formula
	for _, salt := range c.Salts {
		if f, err := matter.ParseFormula(salt.Formula); err == nil {
			formulas = append(formulas, f)
		}
	}
	if told := mediumOf(formulas); told != "" {
		return told
	}
	usual, _ := usualMedium(c.Metal, formulas)
	return usual
}

// usualMedium is the medium of a metal where neither the operator nor a salt tells one: an oxide, a hydroxide or a carbonate goes
// into any acid, and a thiosalt belongs to sulfide. It is empty without a metal.
func usualMedium(metal string, formulas []matter.Formula) (matter.Medium, matter.Metal) {
	m, err := matter.LookUp(metal)
	for _, f := range formulas {
		if winnable := matter.WinnableIn(f); err != nil && len(winnable) > 0 {
			m, err = winnable[0], nil
		}
		if f.Count("S") > 0 && f.Count("O") == 0 && err == nil {
			return matter.Sulfide, m
		}
	}
	switch {
	case err != nil:
		return "", m // said elsewhere
	case len(m.Windows) > 0 && m.Windows[0].Media[0].Known():
		return m.Windows[0].Media[0], m
	}
	return matter.Sulfate, m
}

func mediumOf(formulas []matter.Formula) matter.Medium {
	var supporting matter.Medium
	for _, f := range formulas {
		switch {
		case f.Medium() == "":
		case len(matter.WinnableIn(f)) > 0:
			return f.Medium()
		case supporting == "":
			supporting = f.Medium()
		}
	}
	return supporting
}

// noteOthers says what the salts without the metal are taken for.
func (s *contents) noteOthers(c Contents, formulas []matter.Formula) {
	for i, f := range formulas {
		if f.Count(s.metal.String()) > 0 || f.String() == "" {
			continue
		}
		salt := c.Salts[i]
		text := fmt.Sprintf("%s holds no %s%s and is taken as supporting electrolyte: it does not enter the charge", f, s.metal.Element.Name, meant(f))
		if others := matter.WinnableIn(f); len(others) > 0 {
			text = fmt.Sprintf("%s brings %s, which can plate too: the charge here is that of %s alone", f, others[0].Element.Name, s.metal.Element.Name)
		}
		if f.Medium() == matter.Chloride && s.medium != matter.Chloride {
			text += "; it brings chloride, so that chlorine can come off at the anode"
			if !salt.Mass.Known() && !salt.Concentration.Known() {
				text += ": state how much chloride there is; 1 mol/L is taken"
			}
		}
		s.notes = append(s.notes, text)
	}
}

// noteStates says where a salt holds the metal in another state than the charge is counted from.
func (s *contents) noteStates(formulas []matter.Formula) {
	for _, f := range formulas {
		state, ok := f.OxidationState(s.metal.String())
		if !ok || math.Abs(state-float64(s.valence)) < 1e-9 {
			continue
		}
		name := s.metal.Element.Name
		text := fmt.Sprintf("%s holds %s(%s), and the charge is counted with %d electrons an atom: ", f, name, roman(state), s.valence)
		if state > float64(s.valence) {
			text += fmt.Sprintf("reduce it before the run, or it takes %.2g times that charge", state/float64(s.valence))
		} else {
			text += fmt.Sprintf("it takes %.2g times that charge if the bath keeps it so; a valence can be stated", state/float64(s.valence))
		}
		s.notes = append(s.notes, text)
	}
}

// roman writes an oxidation state as the names of salts do; a mean one that is not whole in digits.
func roman(state float64) string {
	numerals := []string{"I", "II", "III", "IV", "V", "VI", "VII", "VIII"}
	if i := int(math.Round(state)); math.Abs(state-float64(i)) < 1e-9 && i >= 1 && i <= len(numerals) {
		return numerals[i-1]
	}
	return fmt.Sprintf("%.2g on average", state)
}

// noMetal says what a salt without a winnable metal holds instead.
func noMetal(f matter.Formula) string {
	var names []string
	for _, a := range f.Atoms() {
		names = append(names, a.Element.Name)
	}
	return fmt.Sprintf("%s holds %s, and none of these can be won from water", f, strings.Join(names, ", ")) + meant(f)
}

// meant says which metal a formula in capitals was perhaps meant to hold, or nothing.
func meant(f matter.Formula) string {
	for _, metal := range matter.Metals() {
		shouted := strings.ToUpper(metal.String())
		if len(shouted) == 2 && strings.Contains(f.String(), shouted) {
			return fmt.Sprintf(" (%s is written %s)", metal.Element.Name, metal)
		}
	}
	return ""
}

func (c Contents) fromSalts(s *contents, formulas []matter.Formula, volume doubt) quantity {
	var total quantity
	symbol := s.metal.String()
	var weighed, inAssay, dissolved, inVolume, weights float64 // mol × relative doubt
	for i, salt := range c.Salts {
		if formulas[i].Count(symbol) == 0 {
			continue // supporting electrolyte
		}
		assay := salt.Assay
		if !assay.Known() {
			assay = matter.Figure{Value: 1, Mark: matter.Assumed, Source: "no assay stated"}
		}
		assay = doubted(assay, AssayDoubt)
		molar, molarDoubt := formulas[i].MolarMass()
		perKilogram := assay.Value * formulas[i].Count(symbol) / molar
		var moles float64
		if salt.Mass.Known() {
			mass := doubted(salt.Mass, BalanceDoubt)
			moles = mass.Value * perKilogram
			weighed = math.Hypot(weighed, moles*mass.Relative())
			total.mark = matter.Weakest(total.mark, mass.Mark, assay.Mark)
		} else {
			concentration := doubted(salt.Concentration, ConcentrationDoubt)
			moles = concentration.Value * s.volume.Value * perKilogram
			dissolved = math.Hypot(dissolved, moles*concentration.Relative())
			inVolume += moles * volume.relative
			total.mark = matter.Weakest(total.mark, concentration.Mark, assay.Mark, s.volume.Mark)
		}
		inAssay = math.Hypot(inAssay, moles*assay.Relative())
		weights += moles * molarDoubt / molar
		total.value += moles
	}
	for _, d := range []doubt{{"salt mass", weighed}, {"salt assay", inAssay}, {"salt concentration", dissolved}, {"volume", inVolume}, {"formula weight", weights}} {
		if d.relative > 0 && total.value > 0 {
			total.doubts = append(total.doubts, doubt{d.source, d.relative / total.value})
		}
	}
	return total
}
