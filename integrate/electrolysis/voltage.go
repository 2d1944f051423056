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
	if r := separators[c.Separator].resistance; r.Value > 0 {
		parts = append(parts, Component{"resistance of the separator", r.Times(mean)})
	}
	return append(parts, Component{leadsPart, leads})
}

// metalOverpotential returns V at usual densities, from memory.
func metalOverpotential(metal string) matter.Figure {
	for _, row := range []struct {
		metals             string
		least, usual, most float64
	}{
		{"Cu Ag Pb Cd Sn Tl", 0.03, 0.07, 0.15}, {"Zn In Bi Au", 0.05, 0.10, 0.20}, {"Ni Co Fe Pd", 0.20, 0.32, 0.50},
		{"Mn", 0.10, 0.25, 0.45}, {"Cr", 0.30, 0.60, 1.00},
	} {
		if slices.Contains(strings.Fields(row.metals), metal) {
			return assumed(row.least, row.usual, row.most, "usual at these current densities, from memory")
		}
	}
	return assumed(0.05, 0.15, 0.50, "metal not in the table")
}

// anodeMaterials lists the insoluble anodes that this package knows.
func anodeMaterials() []string {
	return []string{"lead", "coated titanium", "platinised titanium", "graphite", "nickel", "stainless steel"}
}

// AnodeKind finds the material of anodeMaterials that a person's words mean, "" if none.
func AnodeKind(words string) string {
	words = strings.ToLower(words)
	for _, kind := range []struct{ word, material string }{
		{"lead", "lead"}, {"platin", "platinised titanium"}, {"titanium", "coated titanium"}, {"mixed metal oxide", "coated titanium"},
		{"graphite", "graphite"}, {"carbon", "graphite"}, {"steel", "stainless steel"}, {"nickel", "nickel"},
	} {
		if strings.Contains(words, kind.word) {
			return kind.material
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
	table, unknown, slope, warmth := oxygenAnodes, assumed(0.25, 0.60, 0.95, "anode unknown"), 0.12, anodeWarmth
	if gas == Chlorine {
		table, unknown, slope, warmth = chlorineAnodes, assumed(0.04, 0.15, 0.40, "anode unknown"), 0.04, anodeWarmth/2
	}
	b := unknown
	if v, known := table[AnodeKind(material)]; known {
		b = assumed(v[0], v[1], v[2], "usual for this anode, from memory")
	}
	decades, cooler := math.Log10(density/anodeReference), matter.RoomTemperature-kelvin
	return shifted(b, math.Max(slope*decades+warmth*cooler, -b.Low))
}

// The least, usual and most overpotential in V of oxygen and chlorine at anodeReference.
var (
	oxygenAnodes = map[string][3]float64{
		"lead":                {0.60, 0.80, 0.95},
		"coated titanium":     {0.25, 0.35, 0.50},
		"platinised titanium": {0.40, 0.55, 0.80},
		"graphite":            {0.40, 0.60, 0.90},
		"nickel":              {0.25, 0.30, 0.45},
		"stainless steel":     {0.30, 0.40, 0.60},
	}
	chlorineAnodes = map[string][3]float64{
		"coated titanium":     {0.04, 0.08, 0.15},
		"platinised titanium": {0.08, 0.15, 0.40},
		"graphite":            {0.10, 0.20, 0.40},
	}
)

// anodeAdvice returns what to know of the anode material in the medium with
// chloride mol/m³ in it, "" if there is nothing to say. Common practice, no source.
func anodeAdvice(material string, medium matter.Medium, chloride float64) string {
	material = AnodeKind(material)
	chlorides, coated := hasChloride(medium, chloride), material == "coated titanium" || material == "platinised titanium"
	for _, row := range []struct {
		holds  bool
		advice string
	}{
		{material == "lead" && chlorides, "Lead dissolves in chloride: use coated titanium or graphite."},
		{material == "lead" && medium == matter.Nitrate, "Lead dissolves in nitrate: use platinised or coated titanium."},
		{material == "lead", "A lead anode needs its brown dioxide skin: form it first, avoid long interruptions, and keep its dust out of the room."},
		{material == "graphite" && !chlorides, "Oxygen attacks graphite, which sheds black sludge: for short runs only."},
		{coated && medium == matter.Fluoborate, "Fluoride attacks titanium under its coating: use graphite or platinum."},
		{coated, "Never reverse the coated anode and never let it run dry under current: the coating does not recover."},
		{(material == "stainless steel" || material == "nickel") && medium != matter.Alkaline && medium != matter.Cyanide, "This anode dissolves in this medium and contaminates the bath, stainless steel with chromium too: use another."},
	} {
		if row.holds {
			return row.advice
		}
	}
	return ""
}

// assumedConductivity returns the conductivity in S/m to be expected of a winning
// bath of the medium with freeAcid mol/m³ of titratable H⁺ at temperature kelvin, when
// nobody measured it. The acid's part grows with temperature as H⁺ moves, the rest as other ions do. From memory of tables of acids and salts; a pinch of salt in both directions.
func assumedConductivity(medium matter.Medium, freeAcid, temperature float64) matter.Figure {
	l, known := conductivities[medium]
	if !known {
		l = [3]float64{6, 20e-3, 45}
	}
	neutral, perAcid, most := l[0], l[1], l[2]
	acid := math.Min(most-neutral, perAcid*math.Max(0, freeAcid))
	best := neutral*solution.Conduction(0, temperature) + acid*solution.Conduction(solution.ProtonWarmth, temperature)
	return assumed(0.6*best, best, 1.5*best, "usual for this medium and acid, from memory")
}

// conductivities are those without acid in S/m, by how much acid raises them in S·m²/mol, and to how much in S/m.
var conductivities = map[matter.Medium][3]float64{
	matter.Sulfate: {4, 14e-3, 45}, matter.Chromic: {4, 14e-3, 45}, matter.Chloride: {8, 25e-3, 65}, matter.Nitrate: {8, 28e-3, 60},
	matter.Alkaline: {30, 0, 30}, matter.Cyanide: {15, 0, 15}, matter.Ammine: {15, 0, 15}, matter.Sulfide: {15, 0, 15},
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

// separators are the area resistances in Ω·m², the shares of the current that H⁺ carries into the catholyte, and the most that metal of the bath
// carries into the anolyte as a cation and as an anion. Common practice, from memory.
var separators = map[Separator]struct {
	resistance, acid matter.Figure
	metal            [2]float64
}{
	Diaphragm: {assumed(1e-4, 4e-4, 15e-4, "cloth to fine ceramic, from memory"),
		assumed(0.1, 0.4, 0.8, "cloth or ceramic, rising as the anolyte becomes acid; from memory"), [2]float64{0.05, 0.10}},
	CationMembrane: {assumed(2e-4, 5e-4, 15e-4, "ion-exchange membrane, from memory"),
		assumed(0.6, 0.9, 1, "nearly all cations that cross are H⁺ once the anolyte is acid; from memory"), [2]float64{0.02, 0.01}},
	AnionMembrane: {assumed(2e-4, 5e-4, 15e-4, "ion-exchange membrane, from memory"),
		assumed(0.02, 0.1, 0.4, "H⁺ leaks through anion membranes from strong acid; from memory"), [2]float64{0.01, 0.20}},
}

// AcidCrossing returns the share of the current through the separator that H⁺ carries
// into the catholyte, for acidMade. It rises with
// the acid of the anolyte. A zero band with NoSeparator, where the question does not arise.
func (s Separator) AcidCrossing() matter.Figure { return separators[s].acid }

// MetalCrossing returns the share of the current that metal of the bath may carry through the separator into the anolyte: a cation by diffusion and
// with what flows outward, against the field; an anion as its transport number among the others. Common practice, no source. No range without a separator.
func (s Separator) MetalCrossing(anionic bool) matter.Range {
	of, divided := separators[s]
	if !divided {
		return matter.Range{}
	}
	r := matter.Range{High: of.metal[0], Mark: matter.Assumed, Source: "common practice, no source"}
	if anionic {
		r.High = of.metal[1]
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
