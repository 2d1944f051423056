package bath

import (
	"nightcell/integrate/matter"
)

const faraday = matter.Faraday

// mostSolids is what is taken for the most of any salt that a bath dissolves, kg/m3; common practice, no source.
const mostSolids = 2000

// saturated is how much of an anhydrous salt 100 g of water dissolve, at the best temperature up to 60 °C. A litre
// of bath holds less than a litre of water, so that it is more than a litre of bath can hold. It serves to find
// slips, not to prepare solutions.
type saturated struct {
	metal  string
	medium matter.Medium
	salt   string
	grams  float64
	source string
}

// table20 is the table from which the published figures were taken.
const (
	table20    = "romek.info, solubility of inorganic solids in water, table 04-26"
	fromMemory = "from memory of handbook tables"
)

var saturations = []saturated{
	{"Zn", matter.Sulfate, "ZnSO4", 54.4, table20},          // 20 °C
	{"Cu", matter.Sulfate, "CuSO4", 40, table20},            // 60 °C
	{"Cu", matter.Chloride, "CuCl2", 47.7, table20},         // 60 °C
	{"Ni", matter.Sulfate, "NiSO4", 57, fromMemory},         // 60 °C
	{"Co", matter.Sulfate, "CoSO4", 60, fromMemory},         // 60 °C
	{"Mn", matter.Sulfate, "MnSO4", 65, fromMemory},         // 25 °C
	{"Fe", matter.Sulfate, "FeSO4", 55, fromMemory},         // 60 °C
	{"Cd", matter.Sulfate, "CdSO4", 82, fromMemory},         // 60 °C
	{"Zn", matter.Chloride, "ZnCl2", 490, fromMemory},       // 60 °C
	{"Ni", matter.Chloride, "NiCl2", 81, fromMemory},        // 60 °C
	{"Fe", matter.Chloride, "FeCl2", 78, fromMemory},        // 60 °C
	{"Ag", matter.Medium("nitrate"), "AgNO3", 525, table20}, // 60 °C
}

// solubility returns the kg of the plan's metal per m3 above which no bath of its medium is
// known to go, and what that figure is.
func (p *Plan) solubility() (most float64, of string) {
	for _, s := range saturations {
		if s.metal != p.Metal.String() || s.medium != p.Medium {
			continue
		}
		if f, err := matter.ParseFormula(s.salt); err == nil {
			molar, _ := f.MolarMass()
			return s.grams * 10 * f.Count(s.metal) * p.scenario.molar / molar, "saturated " + s.salt + "; " + s.source
		}
	}
	return mostSolids / 2, "any salt; common practice, no source"
}
