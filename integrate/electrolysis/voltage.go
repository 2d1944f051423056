package electrolysis

import (
	"math"
	"slices"
	"strings"
	"unicode"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Component is one part of the cell voltage, in V.
type Component struct {
	Name string
	matter.Figure
}

// leadsPart names the one component that is lost outside of the bath.
const leadsPart = "leads, clips and contacts"

// voltageParts returns the components of the expected voltage at the supply's terminals, with the conductivity of the bath in S/m and the V lost in
// the leads. Their sum is a band from tables, good for telling a sound start from a wrong one; the corridor that a cell's own runs teach is better.
func (a *Assessment) voltageParts(conductivity, leads matter.Figure) []Component {
	c := a.Conditions
	mean := (a.CathodeDensity.Value + a.AnodeDensity.Value) / 2
	drop := mean * c.Gap.Value
	metal := metalOverpotential(c.Metal.Element.Symbol)
	if c.Medium == matter.Chromic {
		metal = assumed(0.80, 1.20, 1.60, "the cathode of a chromic bath is near -0.9 V, from memory")
	}
	parts := []Component{
		{"reversible voltage, expected reaction", assumed(0, 0, 0.05, "the anode is the metal itself: only concentration differs")},
		{"overpotential of the metal at the cathode", metal},
		{"overpotential of the dissolving anode", metal},
		{"resistance of the bath", band(drop/conductivity.High, 1.1*drop/conductivity.Value, 1.3*drop/conductivity.Low,
			matter.Weakest(conductivity.Mark, matter.Assumed), "conductivity "+conductivity.Mark.String()+"; bubbles assumed to add 0 to 30 %")},
	}
	if !c.SolubleAnode {
		v, reaction := a.Floor.Expected, a.Anode[0]
		parts[0].Figure = band(v-0.02, v, v+0.05, matter.Weakest(matter.Published, a.Floor.Mark),
			"against "+reaction.Name+": standard potentials (that of the anode: Chemistry 2e, OpenStax 2019, Appendix L) at the stated concentrations; activity may add 0.05 V")
		parts[2] = Component{"overpotential of the gas at the anode", anodeOverpotential(c.Anode, reaction.Gas, a.AnodeDensity.Value, c.Temperature.Value)}
	}
	if r := c.Separator.row(); r.Name != "" {
		parts = append(parts, Component{"resistance of the separator", r.Resistance.figure(r.ResistanceSource).Times(mean)})
	}
	return append(parts, Component{leadsPart, leads})
}

// metalOverpotential returns V at usual densities, from memory.
func metalOverpotential(metal string) matter.Figure {
	for _, row := range tables().Overpotential {
		if slices.Contains(row.Metals, metal) {
			return row.Volts.figure("usual at these current densities, from memory")
		}
	}
	return assumed(0.05, 0.15, 0.50, "metal not in the table")
}

// anodeMaterials lists the insoluble anodes that this package knows.
func anodeMaterials() (names []string) {
	for _, a := range tables().Anode {
		names = append(names, a.Material)
	}
	return names
}

// AnodeKind finds the material of anodeMaterials that a person's words mean, "" if none.
func AnodeKind(words string) string {
	words = strings.ToLower(words)
	for _, a := range tables().Anode {
		if slices.ContainsFunc(a.Words, func(word string) bool { return strings.Contains(words, word) }) {
			return a.Material
		}
	}
	return ""
}

// Dissolves tells whether an anode of that description is of the metal of that symbol and of nothing else, so that it
// dissolves. The platinum metals do not, nor does chromium as a rule.
func Dissolves(words, metal string) bool {
	m, err := matter.LookUp(metal)
	if err != nil || slices.Contains([]string{"Pt", "Pd", "Rh", "Cr"}, m.String()) {
		return false
	}
	fields := strings.FieldsFunc(words, func(r rune) bool { return !unicode.IsLetter(r) })
	of := 0
	for _, word := range fields {
		switch {
		case word == m.String() || strings.EqualFold(word, m.Element.Name):
			of++
		case !slices.Contains([]string{"pure", "cast", "rolled", "sheet", "plate", "rod", "bar", "slab", "foil", "wire", "scrap", "anode"}, strings.ToLower(word)):
			return false
		}
	}
	return of > 0
}

// anodeReference is the density in A/m² of the table of anodeOverpotential.
const anodeReference = 400.0

// anodeWarmth is by how many volts a kelvin lowers the overpotential of oxygen, half of it that of chlorine; from memory, 1 to 3 mV.
const anodeWarmth = 2e-3

// anodeOverpotential returns V at density A/m² and kelvin, from memory, carried along a Tafel
// slope of 0.12 V per decade for oxygen and 0.04 for chlorine.
func anodeOverpotential(material string, gas Gas, density, kelvin float64) matter.Figure {
	slope, warmth, b := 0.12, anodeWarmth, assumed(0.25, 0.60, 0.95, "anode unknown")
	if gas == Chlorine {
		slope, warmth, b = 0.04, anodeWarmth/2, assumed(0.04, 0.15, 0.40, "anode unknown")
	}
	kind := AnodeKind(material)
	for _, a := range tables().Anode {
		usual := a.Oxygen
		if gas == Chlorine {
			usual = a.Chlorine
		}
		if a.Material == kind && usual != (spread{}) {
			b = usual.figure("usual for this anode, from memory")
		}
	}
	decades, cooler := math.Log10(density/anodeReference), matter.RoomTemperature-kelvin
	return shifted(b, math.Max(slope*decades+warmth*cooler, -b.Low))
}

// anodeAdvice returns what to know of the anode material in the medium with
// chloride mol/m³ in it, "" if there is nothing to say. Common practice, no source.
func anodeAdvice(material string, medium matter.Medium, chloride float64) string {
	for _, row := range tables().AnodeAdvice {
		if row.holds(AnodeKind(material), "", medium, hasChloride(medium, chloride)) {
			return row.Advice
		}
	}
	return ""
}

// assumedConductivity returns the conductivity in S/m to be expected of a winning
// bath of the medium with freeAcid mol/m³ of titratable H⁺ at temperature kelvin, when
// nobody measured it. The acid's part grows with temperature as H⁺ moves, the rest as other ions do. From memory of tables of acids and salts; a pinch of salt in both directions.
func assumedConductivity(medium matter.Medium, freeAcid, temperature float64) matter.Figure {
	list := tables().Conductivity
	l := list[slices.IndexFunc(list, func(r conductivity) bool { return r.holds("", "", medium, false) })] // the last holds for all
	acid := math.Min(l.Most-l.Neutral, l.Acid*math.Max(0, freeAcid))
	best := l.Neutral*solution.Conduction(0, temperature) + acid*solution.Conduction(solution.ProtonWarmth, temperature)
	return assumed(0.6*best, best, 1.5*best, "usual for this medium and acid, from memory")
}

// Separator is what stands between anolyte and catholyte.
type Separator string

// The separators. NoSeparator is an undivided cell.
const (
	NoSeparator    Separator = "none"
	Diaphragm      Separator = "diaphragm"
	CationMembrane Separator = "cation membrane"
	AnionMembrane  Separator = "anion membrane"
)

// row is that of the table; the zero row with NoSeparator.
func (s Separator) row() (row separator) {
	if i := slices.IndexFunc(tables().Separator, func(r separator) bool { return r.Name == s }); i >= 0 {
		row = tables().Separator[i]
	}
	return row
}

// AcidCrossing returns the share of the current through the separator that H⁺ carries
// into the catholyte, for acidMade. It rises with
// the acid of the anolyte. A zero band with NoSeparator, where the question does not arise.
func (s Separator) AcidCrossing() matter.Figure {
	row := s.row()
	if row.Name == "" {
		return matter.Figure{}
	}
	return row.Acid.figure(row.AcidSource)
}

// MetalCrossing returns the share of the current that metal of the bath may carry through the separator into the anolyte: a cation by diffusion and
// with what flows outward, against the field; an anion as its transport number among the others. Common practice, no source. No range without a separator.
func (s Separator) MetalCrossing(anionic bool) matter.Range {
	row := s.row()
	if row.Name == "" {
		return matter.Range{}
	}
	r := matter.Range{High: row.Metal[0], Mark: matter.Assumed, Source: "common practice, no source"}
	if anionic {
		r.High = row.Metal[1]
	}
	return r
}

// copperResistivity is that of annealed copper near 40 °C in Ω·m (1.72e-8 at 20 °C, +0.39 %/K; IEC 60028, from memory).
const copperResistivity = 1.86e-8

// Limits of what clips carry in amperes. Common practice, no source.
const (
	clipComfortable = 5.0
	clipAtBest      = 10.0
)

// Lead is a flexible copper lead and what it does at a current.
type Lead struct {
	CrossSection float64 // m²
	Carries      float64 // A, the most that common practice allows in free air
	Drop         float64 // V, there and back
	Heat         float64 // W, in both conductors together
}

// leadFor returns the smallest usual lead that carries current amperes over length
// metres one way and drops no more than drop volts there and back (0: any drop); the zero Lead where none up to 50 mm² does.
// Common practice, no source; cautious for single flexible leads in free air.
func leadFor(current, length, drop float64) Lead {
	for _, size := range [][2]float64{{0.75, 6}, {1, 10}, {1.5, 16}, {2.5, 20}, {4, 25}, {6, 35}, {10, 50}, {16, 70}, {25, 100}, {35, 125}, {50, 160}} { // mm², A
		section := size[0] * 1e-6
		lost := current * 2 * length * copperResistivity / section
		if size[1] >= current && (drop == 0 || lost <= drop) {
			return Lead{CrossSection: section, Carries: size[1], Drop: lost, Heat: lost * current}
		}
	}
	return Lead{}
}

// Clip says how to fasten a lead to an electrode.
type Clip struct {
	Clips  int    // crocodile clips that would share the current at 5 A each; 0: bolt instead
	Advice string // a sentence for the person who fastens it
}

// clipFor returns how to fasten an electrode that takes current amperes. Common practice, no source.
func clipFor(current float64) Clip {
	switch {
	case math.IsNaN(current) || current > 2*clipAtBest:
		return Clip{0, "Bolt a greased lug to the electrode: clips do not carry this current."}
	case current > clipAtBest:
		return Clip{int(math.Ceil(current / clipComfortable)), "Bolt a lug if possible; else use that many clips, each on bare bright metal, well apart."}
	case current > clipComfortable:
		return Clip{2, "Two clips on bare bright metal, outside the mist. After ten minutes measure across each: more than 50 mV is a bad joint."}
	default:
		return Clip{1, "One clip on bare bright metal, outside the mist. After ten minutes measure across it: more than 50 mV is a bad joint."}
	}
}
