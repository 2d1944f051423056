package electrolysis

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// acidBase is what a charge does to the acid on either side of the separator, in
// moles of H⁺ or OH⁻. In an undivided cell only Bath counts.
type acidBase struct {
	Anolyte        float64 // mol of H⁺ gained by the anolyte
	Catholyte      float64 // mol of OH⁻ gained by the catholyte; negative: H⁺ gained
	Bath           float64 // mol of H⁺ gained by both together; negative: OH⁻ gained
	CatholyteWorst float64 // mol of OH⁻ gained by the catholyte if no metal plates and no acid crosses
}

// acidMade returns the acid and base of a charge in C of which the share efficiency makes metal by the couple, whose H⁺ taken up and hydroxide
// set free count. The anode makes anodeAcid mol of H⁺, and H⁺ carries the share crossing of the current through the separator to the catholyte.
// Each electron that makes hydrogen leaves one OH⁻ (or takes one H⁺), one that makes metal leaves what the couple sets free.
func acidMade(charge, efficiency float64, couple matter.Couple, anodeAcid, crossing float64) acidBase {
	perMetal := couple.Protons
	if couple.Ligand == "hydroxide" {
		perMetal += couple.Ligands
	}
	perMetal /= float64(couple.Valence)
	electrons := charge / matter.Faraday
	base := electrons * (1 - efficiency + efficiency*perMetal)
	across := electrons * crossing
	return acidBase{
		Anolyte:        less(anodeAcid, across),
		Catholyte:      less(base, across),
		Bath:           less(anodeAcid, base),
		CatholyteWorst: electrons * math.Max(1, perMetal),
	}
}

// less subtracts; what only rounding leaves is nothing.
func less(x, y float64) float64 {
	const rounding = 1e-12
	if d := x - y; math.Abs(d) > rounding*math.Max(x, y) {
		return d
	}
	return 0
}

// AcidOf returns the formula of the acid that an oxygen anode leaves in the medium and
// the H⁺ that one of it carries. In a medium that is not acid it is the sodium
// hydroxide that the anode uses up.
func AcidOf(medium matter.Medium) (formula string, protons float64) {
	if medium.Acidic() {
		if formula = monobasic[medium]; formula == "" {
			return "H2SO4", 2
		}
		return formula, 1
	}
	return "NaOH", 1
}

// monobasic are the acids of the media that are of one proton.
var monobasic = map[matter.Medium]string{
	matter.Chloride: "HCl", matter.Nitrate: "HNO3", matter.Sulfamate: "NH2SO3H", matter.Methanesulfonate: "CH3SO3H", matter.Fluoborate: "HBF4",
}

// AcidMass returns the kilograms of AcidOf the medium that carry, or in an alkaline
// one are used up by, that many moles of H⁺.
func AcidMass(moles float64, medium matter.Medium) float64 {
	formula, protons := AcidOf(medium)
	parsed, _ := matter.ParseFormula(formula) // a test reads them all
	molar, _ := parsed.MolarMass()
	return moles / protons * molar
}

// Unit factors of the two sources on evaporation.
const (
	litresPerGallon = 3.785411784                                       // US gallon, exact
	gallonRate      = litresPerGallon * 1e-3 / 3600 / (0.3048 * 0.3048) // m/s for one gallon per hour and square foot
)

// evaporationAt returns how fast an open bath at temperature kelvin loses water in a room, 273 to 373 K, by two sources, in m³ of
// water per m² and second, which is also how fast the level falls in m/s.
//
// Sources: practitioner's fits at finishing.com 149/24, E = exp(−(7.2 − 0.03236·°F)) US
// gal/(ft²·h) still; US EPA 625/8-82-008 as quoted by
// Products Finishing, 0.017 gal/(h·ft²) at 27 °C and 0.30 at 82 °C still, here joined by a
// straight line of the logarithm. They differ by about 1.7 times near room temperature, and a
// draught or a fume hood can double either.
func evaporationAt(temperature float64) (practitioner, report float64) {
	celsius := temperature - matter.ZeroCelsius
	fahrenheit := celsius*9/5 + 32
	fit := math.Exp(-(7.2 - 0.03236*fahrenheit))
	const cool, hot = 0.017, 0.30 // gal/(h·ft²) at 27 and 82 °C
	return fit * gallonRate, cool * math.Pow(hot/cool, (celsius-27)/(82-27)) * gallonRate
}

// AcidLoad is the acid and base of the run, in mol; positive is a gain. The
// catholyte figures count OH⁻, so that a negative one is acid gained.
type AcidLoad struct {
	Anolyte        matter.Figure // mol H⁺ in a divided cell
	Catholyte      matter.Figure // mol OH⁻ in a divided cell
	Bath           matter.Figure // mol H⁺ over both sides, or in the undivided bath
	CatholyteWorst matter.Figure // mol OH⁻ if no metal plates and no acid crosses
	AnolyteMass    matter.Figure // kg of acid
	BathMass       matter.Figure // kg of acid
}

// Water is the water that goes, in kg.
type Water struct {
	Split      matter.Figure
	Evaporated matter.Figure // by two sources; Low and High are theirs
	LevelFall  matter.Figure // m of level over the run by both together
	TopUp      matter.Figure // kg to have at hand: split and the larger of the two sources
}

// acidShift is a relative change of the efficiency that keeps it within 0 and 1.
const acidShift = 1e-3

func (a *Assessment) acid() {
	c, load := a.Conditions, &a.Acid
	best, low, high := a.anodeCharges()
	made := func(s anodeCharge, efficiency, crossing float64) acidBase {
		return acidMade(c.Charge.Value, efficiency, a.Couple, s.acid(&c), crossing)
	}
	whole := made(best, c.Efficiency.Value, 0)
	load.Bath = combine(whole.Bath, "acid of the anode less base of the cathode", c.Charge, c.Efficiency)
	// The efficiency may enter as itself or as what it leaves to hydrogen, so its doubt is taken by a shift.
	shifted := made(best, c.Efficiency.Value*(1-acidShift), 0)
	load.Bath.StandardUncertainty = math.Hypot(whole.Bath*c.Charge.Relative(), (whole.Bath-shifted.Bath)/acidShift*c.Efficiency.Relative())
	ends := []float64{made(low, c.Efficiency.Value, 0).Bath, made(high, c.Efficiency.Value, 0).Bath}
	if e := c.Efficiency; e.Skewed() { // for the planned charge
		load.Bath.StandardUncertainty = 0
		ends = []float64{made(low, e.Low, 0).Bath, made(low, e.High, 0).Bath, made(high, e.Low, 0).Bath, made(high, e.High, 0).Bath}
	}
	load.Bath = between(load.Bath, ends...)
	load.Bath.Mark = matter.Assumed // that nothing else takes the charge
	load.BathMass = load.Bath.Times(AcidMass(1, c.Medium))
	load.CatholyteWorst = combine(whole.CatholyteWorst, "no metal plates, no acid crosses", c.Charge)
	if c.Separator == NoSeparator {
		return
	}
	crossing := a.crossing()
	usual := made(best, c.Efficiency.Value, crossing.Value)
	mark := matter.Weakest(crossing.Mark, c.Charge.Mark, c.Efficiency.Mark, c.AtAnode.Mark)
	load.Anolyte, load.Catholyte = band(usual.Anolyte, usual.Anolyte, usual.Anolyte, mark, crossing.Source), band(usual.Catholyte, usual.Catholyte, usual.Catholyte, mark, crossing.Source)
	e := limited(c.Efficiency)
	for _, s := range []anodeCharge{low, high} {
		for _, across := range []float64{crossing.Low, crossing.High} {
			for _, efficiency := range []float64{math.Max(0, e.Low), math.Min(1, e.High)} {
				m := made(s, efficiency, across)
				load.Anolyte, load.Catholyte = including(load.Anolyte, m.Anolyte), including(load.Catholyte, m.Catholyte)
			}
		}
	}
	load.AnolyteMass = load.Anolyte.Times(AcidMass(1, c.AnolyteMedium))
}

// crossing returns the share of the current that H⁺ carries over the separator: no more than the
// anode makes per electron and the anolyte holds; none without a separator. Before a chlorine anode hardly any acid is there to cross.
func (a *Assessment) crossing() matter.Figure {
	c := a.Conditions
	held := math.Max(standardConcentration*math.Pow(10, -c.AnolytePH.Value), c.FreeAcid.Value) * c.Anolyte.Value
	most := (a.atAnode(c.AtAnode.Value).acid(&c) + held) * matter.Faraday / c.Charge.Value
	b := c.Separator.AcidCrossing()
	if most < b.High {
		b.Low, b.Value, b.High = 0, math.Min(b.Value, most/2), most
		b.Source += "; no more than the anolyte holds and the anode makes"
	}
	return b
}

// waterDensity turns m³ of water into kg.
const waterDensity = 998.0

func (a *Assessment) water() {
	c, w := a.Conditions, &a.Water
	best, low, high := a.anodeCharges()
	w.Split = between(skewed(combine(best.water(&c)*matter.MolarMassH2O, "Faraday", c.Charge), c.Charge, 1), low.water(&c)*matter.MolarMassH2O, high.water(&c)*matter.MolarMassH2O)
	w.Split.Mark = matter.Assumed // that nothing else takes the charge of the anode
	seconds, open := a.Duration.Value, c.OpenArea.Value
	fit, report := evaporationAt(c.Temperature.Value)
	fit, report = fit*seconds, report*seconds // m of level
	least, most := math.Min(fit, report), math.Max(fit, report)
	fall := band(least, math.Sqrt(fit*report), most, matter.Assumed, fmt.Sprintf("two sources that differ by a factor of %.1f, still air", most/least))
	w.Evaporated = fall.Times(open * waterDensity)
	w.LevelFall = fall
	if open > 0 {
		w.LevelFall = shifted(fall, w.Split.Value/(waterDensity*open))
	}
	w.TopUp = matter.Figure{Value: w.Split.Value + w.Evaporated.High, StandardUncertainty: (w.Evaporated.High - w.Evaporated.Low) / 2, Mark: matter.Assumed, Source: "split, and the larger of the two sources"}
}
