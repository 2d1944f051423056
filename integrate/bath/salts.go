package bath

import (
	"fmt"
	"math"
	"strings"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

func (c Contents) parseSalts(m *mistakes, s *Settled) []matter.Formula {
	formulas := make([]matter.Formula, len(c.Salts))
	for i, salt := range c.Salts {
		field := fmt.Sprintf("salts[%d].", i)
		f, err := matter.ParseFormula(salt.Formula)
		if err != nil {
			m.add(field+"formula", "", "%v", err)
			continue
		}
		formulas[i] = f
		s.Notes = append(s.Notes, f.Notes...)
		hasMass := m.positive(field+"mass", "a mass above zero is needed, such as 250 g", salt.Mass)
		hasConcentration := m.positive(field+"concentration", "a concentration above zero is needed, such as 260 g/L", salt.Concentration)
		if hasMass && hasConcentration {
			m.add(field+"mass", "leave one out", "both mass and concentration of %s are stated", f)
		}
		if !salt.Mass.Known() && !salt.Concentration.Known() && len(matter.WinnableIn(f)) > 0 {
			m.add(field+"mass", "state it, such as 250 g", "neither mass nor concentration of %s is stated", f)
		}
		if c.Medium == "" && strings.Contains(f.String(), "S2O3") {
			m.add(field+"formula", "state the medium if the thiosulfate was destroyed before", "%s is a thiosulfate, and the tables have no bath of it: acid makes sulfur and sulfur dioxide of it", f)
		}
		m.share(field+"assay", salt.Assay, "a salt cannot contain more than 100 % of itself")
	}
	if s.Medium == "" {
		s.Medium = mediumOf(formulas)
	}
	if s.Medium == "" {
		var m matter.Metal
		if s.Medium, m = usualMedium(c.Metal, formulas); s.Medium != "" {
			s.Notes = append(s.Notes, fmt.Sprintf("the medium is not stated: %s is taken, as is usual for %s; gas, acid and volts follow from it, so state it", s.Medium, m.Element.Name))
		}
	}
	return formulas
}

// MediumTold returns the medium that was stated, or else that of the first salt with
// a winnable metal, or else of the first salt, that tells one, or else the metal's usual one.
func (c Contents) MediumTold() matter.Medium {
	s := Settled{Medium: c.Medium}
	c.parseSalts(new(mistakes), &s)
	return s.Medium
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
func (s *Settled) noteOthers(c Contents, formulas []matter.Formula) {
	for i, f := range formulas {
		if f.Count(s.Metal.String()) > 0 || f.String() == "" {
			continue
		}
		salt := c.Salts[i]
		text := fmt.Sprintf("%s contains no %s%s: taken as supporting electrolyte.", f, s.Metal.Element.Name, meant(f))
		if others := matter.WinnableIn(f); len(others) > 0 {
			text = fmt.Sprintf("%s adds %s, which can plate too: the charge is that of %s alone.", f, others[0].Element.Name, s.Metal.Element.Name)
		}
		if f.Medium() == matter.Chloride && s.Medium != matter.Chloride {
			text += " It adds chloride, so that chlorine can come off at the anode."
			if !salt.Mass.Known() && !salt.Concentration.Known() {
				text += " No amount is stated: 1 mol/L is assumed."
			}
		}
		s.Notes = append(s.Notes, text)
	}
}

// noteStates says where a salt holds the metal in another state than the charge is counted from.
func (s *Settled) noteStates(formulas []matter.Formula) {
	for _, f := range formulas {
		state, ok := f.OxidationState(s.Metal.String())
		if !ok || math.Abs(state-float64(s.Valence)) < 1e-9 {
			continue
		}
		name := s.Metal.Element.Name
		text := fmt.Sprintf("%s contains %s(%s), and the charge is that of %d electrons per atom: ", f, name, roman(state), s.Valence)
		if state > float64(s.Valence) {
			text += fmt.Sprintf("reduce it before the run, or it takes %.2g times that charge.", state/float64(s.Valence))
		} else {
			text += fmt.Sprintf("it takes %.2g times that charge if the bath keeps that valence. State the valence then.", state/float64(s.Valence))
		}
		s.Notes = append(s.Notes, text)
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
	return fmt.Sprintf("%s contains %s, and none of these deposits from water", f, strings.Join(names, ", ")) + meant(f)
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

func (c Contents) fromSalts(s *Settled, formulas []matter.Formula, volume doubt) doubtful {
	var total doubtful
	symbol := s.Metal.String()
	var weighed, inAssay, dissolved, inVolume, weights float64 // mol × relative doubt
	var masses, assays, concentrations []matter.Figure         // as stated
	for i, stated := range c.Salts {
		if formulas[i].Count(symbol) == 0 {
			continue // supporting electrolyte
		}
		salt := stated.doubted()
		molar, molarDoubt := formulas[i].MolarMass()
		perKilogram := salt.Assay.Value * formulas[i].Count(symbol) / molar
		var moles float64
		if salt.Mass.Known() {
			masses = append(masses, stated.Mass)
			moles = salt.Mass.Value * perKilogram
			weighed = math.Hypot(weighed, moles*salt.Mass.Relative())
			total.mark = matter.Weakest(total.mark, salt.Mass.Mark, salt.Assay.Mark)
		} else {
			concentrations = append(concentrations, stated.Concentration)
			moles = salt.Concentration.Value * s.Volume.Value * perKilogram
			dissolved = math.Hypot(dissolved, moles*salt.Concentration.Relative())
			inVolume += moles * volume.relative
			total.mark = matter.Weakest(total.mark, salt.Concentration.Mark, salt.Assay.Mark, s.Volume.Mark)
		}
		assays = append(assays, stated.Assay)
		inAssay = math.Hypot(inAssay, moles*salt.Assay.Relative())
		weights += moles * molarDoubt / molar
		total.value += moles
	}
	for _, d := range []doubt{{"salt mass", weighed, doubtMark(masses...)}, {"salt assay", inAssay, doubtMark(assays...)},
		{"salt concentration", dissolved, doubtMark(concentrations...)}, {"volume", inVolume, volume.mark}, {"formula weight", weights, matter.Published}} {
		if d.relative > 0 && total.value > 0 {
			d.relative /= total.value
			total.doubts = append(total.doubts, d)
		}
	}
	return total
}

// mostSolids is what is taken for the most of any salt that a bath dissolves, kg/m3; common practice, no source. overfull is how far
// a bath may be beyond the table before it is refused: crystals of commerce and thermometers are not better.
const (
	mostSolids = 2000
	overfull   = 1.05
)

// solubility returns the kg of the plan's metal per m3 above which no bath of its medium is
// known to go, and what that figure is.
func (s *Settled) solubility() (most float64, of string) {
	if most, row, ok := solution.MostOf(s.Metal.String(), s.Medium); ok {
		return most, "saturated " + row.Formula + "; " + row.Source
	}
	return mostSolids / 2, "any salt; common practice, no source"
}

// dissolves holds what is stated against what water dissolves: what no temperature dissolves is a mistake, what the stated one (else
// 25 °C) does not is told. Where a ligand or alkali may hold the metal the table says nothing.
func (c Contents) dissolves(m *mistakes, s *Settled, temperature matter.Figure) {
	if !s.Medium.Acidic() || !(s.Volume.Value > 0) {
		return
	}
	for _, ligand := range []solution.Component{"NH3", "CN-", "EDTA-4", "citrate-3", "tartrate-2", "acetate-"} {
		if s.Dissolved[ligand] > 0 && ligand != "NH3" || s.Dissolved["NH3"] > 2*s.Dissolved["SO4-2"]+s.Dissolved["Cl-"] { // more than its salts hold
			return
		}
	}
	kelvin := matter.RoomTemperature
	if temperature.Known() {
		kelvin = temperature.Value
	}
	held := map[string]float64{} // kg/m3 of anhydrous salt
	for i, salt := range c.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		row, tabled := solution.SolubilityOf(f)
		units := salt.mol(f, s.Volume)
		if err != nil || !tabled || !units.Known() {
			continue
		}
		held[row.Formula] += units.Value * row.Anhydrous() / s.Volume.Value
		there, now, best := held[row.Formula], row.Of(kelvin), row.Of(math.NaN())
		switch {
		case there > overfull*best:
			field := fmt.Sprintf("salts[%d].mass", i)
			if !salt.Mass.Known() {
				field = fmt.Sprintf("salts[%d].concentration", i)
			}
			m.add(field, fmt.Sprintf("weigh less, or take at least %s of bath", litres(s.Volume.Value*there/best)),
				"%s g/L of %s are stated, and a bath holds no more than about %s g/L of it at any temperature (%s)", figure(there), row.Formula, figure(best), row.Source)
		case there > overfull*now:
			s.Notes = append(s.Notes, fmt.Sprintf("%s g/L of %s is stated, and at %.0f °C no more than about %s g/L dissolves (%s). The rest stays at the bottom until the bath is more dilute or at another temperature.",
				figure(there), row.Formula, kelvin-matter.ZeroCelsius, figure(now), row.Source))
		}
	}
	metal := s.amount.value * s.Metal.Element.Weight.Value / s.Volume.Value
	if most, of := s.solubility(); metal > overfull*most && len(m.list) == 0 {
		field := "concentration"
		if c.MetalMass.Known() {
			field = "metal-mass"
		} else if len(c.Salts) > 0 && !c.Concentration.Known() {
			field = "salts"
		}
		m.add(field, "look at the unit", "that is %s g/L of %s, and no more than about %s g/L dissolve (%s)", figure(metal), s.Metal.Element.Name, figure(most), of)
	}
}
