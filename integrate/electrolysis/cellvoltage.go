package electrolysis

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"nightcell/integrate/matter"
)

// Component is one part of the cell voltage, in V.
type Component struct {
	Name string
	Band
}

// VoltageConditions is what the expected cell voltage is made of.
type VoltageConditions struct {
	Metal          string  // symbol
	Reversible     float64 // V, Floor.Expected
	ReversibleMark matter.Mark
	Reaction       string  // of the anode, the expected one
	Anode          string  // material, in words; "": unknown
	Gas            Gas     // of the expected anode reaction
	SolubleAnode   bool    // the anode is of the metal and dissolves; Reversible is then 0
	CathodeDensity float64 // A/m²
	AnodeDensity   float64 // A/m²
	Gap            float64 // m between the plates
	Temperature    float64 // K; 0: 25 °C
	Conductivity   Band    // S/m at the bath's temperature
	Separator      Separator
}

// leadsPart names the one component that is lost outside of the bath.
const leadsPart = "leads, clips and contacts"

// CellVoltage returns the expected voltage at the supply's terminals and its
// components. It is a band from tables, good for telling a sound start from a wrong one;
// the corridor that a cell's own runs teach is better.
func CellVoltage(c VoltageConditions) (total Band, parts []Component, err error) {
	if !positive(c.CathodeDensity, c.AnodeDensity) {
		return Band{}, nil, fmt.Errorf("cell voltage at %g A/m² on the cathode and %g A/m² on the anode: both must be above zero", c.CathodeDensity, c.AnodeDensity)
	}
	if !notNegative(c.Gap) || !positive(c.Conductivity.Low, c.Conductivity.Best, c.Conductivity.High) {
		return Band{}, nil, fmt.Errorf("cell voltage over a gap of %g m at %g S/m: the gap must not be negative and the conductivity above zero", c.Gap, c.Conductivity.Best)
	}
	if math.IsNaN(c.Reversible) {
		return Band{}, nil, fmt.Errorf("cell voltage: the reversible voltage is not a number; concentration, pH or temperature is missing")
	}
	mean := (c.CathodeDensity + c.AnodeDensity) / 2
	drop := mean * c.Gap
	bath := Band{drop / c.Conductivity.High, 1.1 * drop / c.Conductivity.Best, 1.3 * drop / c.Conductivity.Low,
		matter.Weakest(c.Conductivity.Mark, matter.Assumed), "conductivity " + c.Conductivity.Mark.String() + "; bubbles assumed to add 0 to 30 %"}
	parts = []Component{
		{"reversible voltage, expected reaction", Band{c.Reversible - 0.02, c.Reversible, c.Reversible + 0.05,
			matter.Weakest(matter.Published, c.ReversibleMark), "against " + c.Reaction + ": standard potentials at the stated concentrations; activity may add 0.05 V"}},
		{"overpotential of the metal at the cathode", metalOverpotential(c.Metal)},
		{"overpotential of the gas at the anode", anodeOverpotential(c.Anode, c.Gas, c.AnodeDensity, c.Temperature)},
		{"resistance of the bath", bath},
	}
	if c.SolubleAnode {
		parts[0].Band = assumed(0, 0, 0.05, "the anode is the metal itself: only concentration differs")
		parts[2] = Component{"overpotential of the dissolving anode", metalOverpotential(c.Metal)}
	}
	if r := c.Separator.resistance(); r.Best > 0 {
		parts = append(parts, Component{"resistance of the separator", r.scaled(mean)})
	}
	parts = append(parts, Component{leadsPart, assumed(0.03, 0.1, 0.3, "sized as advised, joints sound")})
	return sum(parts), parts, nil
}

// chromicAcid stands for chromium from chromium(VI).
const chromicAcid = "CrO3"

// metalOverpotential returns V at usual densities, from memory.
func metalOverpotential(metal string) Band {
	const why = "usual at winning densities, from memory"
	switch metal {
	case "Cu", "Ag", "Pb", "Cd", "Sn", "Tl":
		return assumed(0.03, 0.07, 0.15, why)
	case "Zn", "In", "Bi", "Au":
		return assumed(0.05, 0.10, 0.20, why)
	case "Ni", "Co", "Fe", "Pd":
		return assumed(0.20, 0.32, 0.50, why)
	case "Mn":
		return assumed(0.10, 0.25, 0.45, why)
	case chromicAcid:
		return assumed(0.80, 1.20, 1.60, "the cathode of a chromic bath stands near -0.9 V, from memory")
	case "Cr":
		return assumed(0.30, 0.60, 1.00, why)
	}
	return assumed(0.05, 0.15, 0.50, "metal not in the table")
}

// AnodeMaterials lists the insoluble anodes that this package knows.
func AnodeMaterials() []string {
	return []string{"lead", "coated titanium", "platinised titanium", "graphite", "nickel", "stainless steel"}
}

// AnodeKind finds the material of AnodeMaterials that a person's words mean, "" if none.
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
func anodeOverpotential(material string, gas Gas, density, kelvin float64) Band {
	const why = "usual for this anode, from memory"
	material = AnodeKind(material)
	decades, cooler := math.Log10(density/anodeReference), 0.0
	if kelvin > 0 {
		cooler = matter.RoomTemperature - kelvin
	}
	if gas == Chlorine {
		b := assumed(0.04, 0.15, 0.40, "anode unknown")
		switch material {
		case "coated titanium":
			b = assumed(0.04, 0.08, 0.15, why)
		case "platinised titanium":
			b = assumed(0.08, 0.15, 0.40, why)
		case "graphite":
			b = assumed(0.10, 0.20, 0.40, why)
		}
		return b.shifted(math.Max(0.04*decades+anodeWarmth*cooler/2, -b.Low))
	}
	b := assumed(0.25, 0.60, 0.95, "anode unknown")
	switch material {
	case "lead":
		b = assumed(0.60, 0.80, 0.95, why)
	case "coated titanium":
		b = assumed(0.25, 0.35, 0.50, why)
	case "platinised titanium":
		b = assumed(0.40, 0.55, 0.80, why)
	case "graphite":
		b = assumed(0.40, 0.60, 0.90, why)
	case "nickel":
		b = assumed(0.25, 0.30, 0.45, why)
	case "stainless steel":
		b = assumed(0.30, 0.40, 0.60, why)
	}
	return b.shifted(math.Max(0.12*decades+anodeWarmth*cooler, -b.Low))
}

// AnodeAdvice returns what to know of the anode material in the medium with
// chloride mol/m³ in it, "" if there is nothing to say. Common practice, no source.
func AnodeAdvice(material string, medium matter.Medium, chloride float64) string {
	material = AnodeKind(material)
	switch {
	case material == "lead" && hasChloride(medium, chloride):
		return "Lead dissolves in chloride: coated titanium or graphite instead."
	case material == "lead" && medium == matter.Nitrate:
		return "Lead dissolves in nitrate: platinised or coated titanium instead."
	case material == "lead":
		return "Lead lives by its brown skin of dioxide: form it first, do not interrupt the current for long, keep its dust out of the room."
	case material == "graphite" && !hasChloride(medium, chloride):
		return "Graphite is eaten by oxygen and sheds black sludge: for short runs only."
	case (material == "coated titanium" || material == "platinised titanium") && medium == matter.Fluoborate:
		return "Fluoride eats titanium under its coating: graphite or platinum instead."
	case material == "coated titanium" || material == "platinised titanium":
		return "Never reverse it and never let it dry under current: the coating does not come back."
	case (material == "stainless steel" || material == "nickel") && medium != matter.Alkaline && medium != matter.Cyanide:
		return "It dissolves as an anode in this medium and fouls the bath, stainless steel with chromium too: not as an anode here."
	}
	return ""
}
