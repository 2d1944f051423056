package bath

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Contents is what the operator states about the bath: in a divided cell, about
// the catholyte. The metal is stated in one of three ways: salts, Concentration, or MetalMass.
type Contents struct {
	Metal         string        // symbol or name; may be empty when the salts hold just one winnable metal
	Valence       int           // electrons per atom; 0: the usual one in the medium
	Medium        matter.Medium // empty: as MediumTold says
	Volume        matter.Figure // m3
	Salts         []Salt        // those without the metal count as supporting electrolyte
	Concentration matter.Figure // kg of metal per m3
	MetalMass     matter.Figure // kg of metal in the whole volume
	Divided       bool
	Crossing      matter.Range  // share of the current that metal of the bath may carry through the separator
	Purified      bool          // what is nobler than the metal was taken out
	AnolyteVolume matter.Figure // m3, of a divided cell
}

// Salt is a compound that was dissolved, stated by its mass or its concentration.
type Salt struct {
	Formula       string
	Mass          matter.Figure // kg
	Assay         matter.Figure // mass share of the formula in what was weighed; unknown: taken as 1
	Concentration matter.Figure // kg of salt per m3 of bath, instead of Mass
}

// Settled is Contents with one metal, its valence, and how much of it there is.
type Settled struct {
	Metal   matter.Metal
	Couple  matter.Couple // the reduction that is expected
	Valence int           // electrons per atom
	Medium  matter.Medium // empty if neither stated nor told by a salt
	Volume  matter.Figure // m3
	Notes   []string      // words about how the order was read
	Others  []Other       // metals besides the one to be won, in the order of the salts
	// Chloride is what the salts bring, in mol per m3 of Volume, with 1 mol/L assumed for each of which nobody says
	// how much there is; not Known if none of them holds any.
	Chloride matter.Figure
	Ammonium bool // a salt brings ammonium or ammonia
	// Dissolved is what the salts bring, mol/m3 of the components of package solution; those without constants are left out.
	Dissolved solution.Totals
	amount    doubtful // mol of metal
}

// doubtful is a number together with the relative doubts that enter it, by source.
type doubtful struct {
	value  float64
	doubts []doubt
	mark   matter.Mark
}

// doubt is a relative standard uncertainty and its source. Doubts of the same
// source in several places are one and the same error.
type doubt struct {
	source   string
	relative float64
	mark     matter.Mark
}

// doubtMark tells whether the doubt of what was stated was stated too, or is a default.
func doubtMark(stated ...matter.Figure) (mark matter.Mark) {
	for _, f := range stated {
		if f.StandardUncertainty == 0 {
			return matter.Assumed
		}
		mark = matter.Weakest(mark, f.Mark)
	}
	return mark
}

// settle finds the metal and its amount, and says everything that is in the way.
func (c Contents) settle(m *mistakes) Settled {
	s := Settled{Medium: c.Medium}
	if c.Medium != "" && !c.Medium.Known() {
		m.add("medium", "it is one of "+matter.MediaWords(matter.Media()), "%q is unknown", string(c.Medium))
	}
	hasVolume := m.positive("volume", "a volume above zero is needed, such as 0.9 L", c.Volume)
	if !c.Volume.Known() {
		m.add("volume", "state it, such as 0.9 L: charge goes with concentration times volume", "it is missing")
	}
	s.Volume = doubted(c.Volume, VolumeDoubt)
	if c.AnolyteVolume.Known() {
		m.positive("anolyte-volume", "a volume above zero is needed", c.AnolyteVolume)
	}
	formulas := c.parseSalts(m, &s)
	if !c.findMetal(m, &s, formulas) {
		return s
	}
	if c.Valence < 0 || c.Valence > 8 {
		m.add("valence", "the electrons per atom, such as 2", "it is %d", c.Valence)
		return s
	}
	couple, err := s.Metal.Couple(s.Medium, c.Valence)
	if err != nil { // without a couple neither the potential nor the gas, acid and heat can be told
		m.add("valence", "leave it out to take the usual one in the medium", "%v", err)
		return s
	}
	s.Couple, s.Valence = couple, couple.Valence
	if hasVolume {
		c.findAmount(m, &s, formulas)
		c.findOthers(&s, formulas)
	}
	s.noteOthers(c, formulas)
	s.noteStates(formulas)
	return s
}

// findMetal settles which metal is won. It returns false if that is not clear.
func (c Contents) findMetal(m *mistakes, s *Settled, formulas []matter.Formula) bool {
	before := len(m.list)
	if c.Metal != "" {
		metal, err := matter.LookUp(c.Metal)
		if err != nil {
			m.add("metal", "", "%v", err)
			return false
		}
		s.Metal = metal
	}
	var found []string
	for _, f := range formulas {
		for _, metal := range matter.WinnableIn(f) {
			if !slices.Contains(found, metal.String()) {
				found = append(found, metal.String())
			}
		}
	}
	// With a salt of a metal, or the metal stated apart, the others may be supporting ones, or of other metals.
	apart := c.Metal != "" && (c.Concentration.Known() || c.MetalMass.Known())
	supported := len(found) > 0 || apart
	for i, f := range formulas {
		field := fmt.Sprintf("salts[%d].formula", i)
		switch winnable := len(matter.WinnableIn(f)) > 0; {
		case f.String() == "": // already complained about
		case !winnable && !supported:
			m.add(field, "state a salt of the metal to recover", "%s", noMetal(f))
		case winnable && c.Metal != "" && !slices.Contains(found, s.Metal.String()) && !apart:
			m.add(field, "leave it out, or correct the metal", "%s holds no %s", f, s.Metal.Element.Name)
		}
	}
	if len(m.list) > before {
		return false
	}
	switch {
	case c.Metal != "":
		return true
	case len(found) == 1:
		s.Metal, _ = matter.LookUp(found[0])
		return true
	case len(found) > 1:
		m.add("metal", "say which one to recover, such as metal "+found[0], "the salts hold %s", strings.Join(found, " and "))
	case len(c.Salts) == 0:
		m.add("metal", "state it, such as Zn, or a salt of it", "it is missing")
	}
	return false
}

// findAmount computes how many moles of the metal there are, by the one way that is stated.
func (c Contents) findAmount(m *mistakes, s *Settled, formulas []matter.Formula) {
	ways := 0
	weight := s.Metal.Element.Weight
	volume := doubt{"volume", s.Volume.Relative(), doubtMark(c.Volume)}
	if slices.ContainsFunc(formulas, func(f matter.Formula) bool { return f.Count(s.Metal.String()) > 0 }) {
		ways++
		s.amount = c.fromSalts(s, formulas, volume)
	}
	if m.positive("concentration", "a concentration of the metal above zero is needed, such as 60 g/L", c.Concentration) {
		ways++
		f := doubted(c.Concentration, ConcentrationDoubt)
		s.amount = doubtful{
			value:  f.Value * s.Volume.Value / weight.Value,
			doubts: []doubt{{"concentration", f.Relative(), doubtMark(c.Concentration)}, volume},
			mark:   matter.Weakest(f.Mark, s.Volume.Mark),
		}
	}
	if m.positive("metal-mass", "a mass above zero is needed, such as 57 g", c.MetalMass) {
		ways++
		f := doubted(c.MetalMass, MetalMassDoubt)
		s.amount = doubtful{value: f.Value / weight.Value, doubts: []doubt{{"metal mass", f.Relative(), doubtMark(c.MetalMass)}}, mark: f.Mark}
	}
	switch {
	case ways == 0 && !c.Concentration.Known() && !c.MetalMass.Known():
		m.add("salts", "state salts with their mass, or the concentration of the metal, or its mass", "nothing says how much %s there is", s.Metal.Element.Name)
	case ways > 1:
		m.add("salts", "state one of salts, concentration and metal mass", "the metal is stated in more than one way")
	}
}

// crosses is the metal in mol per faraday that gets through the separator. The field drives a cation back to the cathode, so that nothing is the likeliest
// and only diffusion and flow carry it across; an anion it drives to the anode, and the middle of the range is as likely as any.
func (c Contents) crosses(couple matter.Couple, medium matter.Medium) Uptake {
	if !c.Divided || !c.Crossing.Known() {
		return Uptake{}
	}
	if medium.Anionic() {
		const most = 2 // charges of a complex: of one it carries the more metal
		per := 1 / math.Min(float64(couple.Valence), most)
		return Uptake{c.Crossing.Middle() * per, c.Crossing.Low * per, c.Crossing.High * per}
	}
	return Uptake{0, 0, c.Crossing.High / float64(couple.Valence)}
}

// Other is a metal in the bath besides the one to be won, which may plate with it. The target
// counts nothing of it, and the watch does not follow it.
type Other struct {
	Metal  matter.Metal
	Couple matter.Couple // of the bath's medium
	Amount matter.Figure // kg
	Charge matter.Figure // C to win all of it at an efficiency of 1
}

// doubted gives its figures the usual doubts where none is stated, and the assay that is taken for one that nobody stated.
func (salt Salt) doubted() Salt {
	if !salt.Assay.Known() {
		salt.Assay = matter.Figure{Value: 1, Mark: matter.Assumed, Source: "no assay stated"}
	}
	return Salt{salt.Formula, doubted(salt.Mass, BalanceDoubt), doubted(salt.Assay, AssayDoubt), doubted(salt.Concentration, ConcentrationDoubt)}
}

// mol returns the moles of formula units that a salt brings into the volume, with the weakest
// mark of what went in; not Known if neither mass nor concentration is stated.
func (salt Salt) mol(f matter.Formula, volume matter.Figure) matter.Figure {
	salt = salt.doubted()
	mass := salt.Mass
	switch {
	case mass.Known():
	case !salt.Concentration.Known():
		return matter.Figure{}
	default:
		mass = product(salt.Concentration, volume)
	}
	molar, molarDoubt := f.MolarMass()
	weight := matter.Figure{Value: 1 / molar, StandardUncertainty: molarDoubt / (molar * molar), Mark: matter.Published}
	return product(product(mass, salt.Assay), weight)
}

// unstatedChloride is taken for a chloride of which nobody says how much there is, mol/m3, so that no
// plan forgets the chlorine.
const unstatedChloride = 1000

// findOthers lists the other metals of the table, adds up the chloride, and looks for ammonium, that the salts bring.
func (c Contents) findOthers(s *Settled, formulas []matter.Formula) {
	for i, f := range formulas {
		units := c.Salts[i].mol(f, s.Volume)
		s.Ammonium = s.Ammonium || f.Ammonium()
		s.dissolve(f, units)
		switch {
		case !f.Chloride():
		case units.Known():
			s.Chloride = added(s.Chloride, matter.Ratio(units.Times(f.Count("Cl")), s.Volume))
		default:
			s.Chloride = added(s.Chloride, matter.Figure{Value: unstatedChloride, StandardUncertainty: unstatedChloride / 2, Mark: matter.Assumed, Source: "no amount stated"})
		}
		for _, metal := range matter.WinnableIn(f) {
			symbol := metal.String()
			if symbol == s.Metal.String() || !units.Known() { // without a mass it is a mistake, and reported
				continue
			}
			other := s.other(metal)
			other.Amount = added(other.Amount, units.Times(f.Count(symbol)*metal.Element.Weight.Value))
		}
	}
	for i := range s.Others {
		o := &s.Others[i]
		o.Charge = o.Amount.Times(float64(o.Couple.Valence) * matter.Faraday / o.Metal.Element.Weight.Value)
	}
}

// dissolve adds what a salt brings to the balance of the liquid, and says how much acid or base an oxide, a hydroxide or a
// carbonate takes to dissolve.
func (s *Settled) dissolve(f matter.Formula, units matter.Figure) {
	brings, err := solution.FromFormula(f)
	if err != nil || !units.Known() {
		return // what the table has no constants for is left out of the balance
	}
	if s.Dissolved == nil {
		s.Dissolved = solution.Totals{}
	}
	s.Dissolved.Add(brings, units.Value/s.Volume.Value)
	if acid := -brings[solution.H] * units.Value; acid > 0 && f.Count(s.Metal.String()) > 0 && s.Medium.Acidic() && s.Medium != "" {
		grams := ""
		if s.Medium == matter.Sulfate {
			grams = fmt.Sprintf(", %.3g g of sulfuric acid", acid/2*1e3*matter.MolarMassH2SO4)
		}
		s.Notes = append(s.Notes, fmt.Sprintf("Dissolving the %s takes %.3g mol of H+%s, which the run releases again.", f, acid, grams))
	}
}

// other returns the entry of a metal, a new one if there is none yet.
func (s *Settled) other(metal matter.Metal) *Other {
	for i := range s.Others {
		if s.Others[i].Metal.String() == metal.String() {
			return &s.Others[i]
		}
	}
	couple, err := metal.Couple(s.Medium, 0)
	if err != nil {
		couple = metal.Couples[0] // every metal of the table has one
	}
	s.Others = append(s.Others, Other{Metal: metal, Couple: couple})
	return &s.Others[len(s.Others)-1]
}
