package electrolysis

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Liquid is what the run does to the pH of the bath, or of the catholyte of a divided cell, and to the anolyte. The
// zero Liquid says that nothing could be worked out, for want of constants.
type Liquid struct {
	Start      Band // pH with the whole charge still to come
	End        Band // pH when the charge has passed
	AnolyteEnd Band // of a divided cell
	// Falls is the hydroxide or basic salt that falls out at the lowest pH, and from which pH on.
	Falls   string
	FallsAt Band
	// PotentialAtEnd and HydrogenAtEnd are those of metal and hydrogen at the end, V against the standard hydrogen electrode.
	PotentialAtEnd, HydrogenAtEnd Band
}

// Known says whether the pH could be followed.
func (l *Liquid) Known() bool { return l.End.Mark != matter.Unmarked }

// Margin is by how many V the hydrogen overpotential of the deposit exceeds the gap between hydrogen and metal at the end.
func (l *Liquid) margin(overpotential float64) (low, high float64) {
	return overpotential - (l.HydrogenAtEnd.High - l.PotentialAtEnd.Low), overpotential - (l.HydrogenAtEnd.Low - l.PotentialAtEnd.High)
}

const (
	ligandPerIon = 6.0 // of ammonia to an ion of an ammine bath, when nobody says how much there is
	spreadTried  = 2   // standard uncertainties to either side
)

// liquid follows acid and base through the buffers of the bath. Efficiency, what crosses the separator and the rule for
// activity coefficients are each tried at both ends; the bounds are the extremes of all combinations.
func (a *Assessment) liquid() {
	c := a.Conditions
	totals, mark, source := c.totals()
	if totals == nil {
		return
	}
	bath := solution.Liquid{Totals: totals, PH: c.PH.Value, Kelvin: c.Temperature.Value}
	ion, dissolved := solution.Ion(c.Metal.Element.Symbol, a.Couple.Valence)
	gone := c.Concentration.Value - c.FinalConcentration.Value
	end := newExtremes()
	for _, efficiency := range around(c.Efficiency) {
		for _, acid := range a.acidGained(efficiency, dissolved) {
			change := solution.Totals{solution.H: acid / c.Volume.Value}
			if dissolved {
				change[ion] = -gone
			}
			span, err := bath.After(change, c.Temperature.Value)
			if err != nil {
				return // outside what the constants cover, such as above 100 °C
			}
			end.add(span.Low, span.Best, span.High)
		}
	}
	l := &a.Liquid
	spread := spreadTried * c.PH.StandardUncertainty
	l.Start = Band{c.PH.Value - spread, c.PH.Value, c.PH.Value + spread, c.PH.Mark, c.PH.Source}
	mark = matter.Weakest(mark, c.PH.Mark, c.Efficiency.Mark)
	l.End = end.band(mark, "mass balance of acid and buffers; "+source)
	if c.Separator != NoSeparator {
		l.AnolyteEnd = a.anolyteEnd()
		l.End.Mark = matter.Weakest(l.End.Mark, a.Acid.Catholyte.Mark)
	}
	a.fallsOut(bath)
	if dissolved && c.FinalConcentration.Value > 0 {
		a.potentialsAtEnd(bath, ion, gone)
	}
}

// around is a figure less and plus two standard uncertainties, within 0 and 1, with the figure itself first.
func around(f matter.Figure) []float64 {
	d := spreadTried * f.StandardUncertainty
	if d == 0 {
		return []float64{f.Value}
	}
	return []float64{f.Value, math.Max(0, f.Value-d), math.Min(1, f.Value+d)}
}

// acidGained is the mol of H⁺ that the bath or catholyte gains in the run at an efficiency: one figure in an undivided
// cell, in a divided one the best and the two ends of what crosses. Where the metal itself is among the components, the
// hydroxide that a hydroxo complex sets free is in its balance already and not counted here.
func (a *Assessment) acidGained(efficiency float64, dissolved bool) []float64 {
	c := a.Conditions
	perElectron := a.acidPerElectron()
	couple := a.Couple
	if dissolved && couple.Ligand == "hydroxide" {
		couple.Ligands = 0
	}
	made := func(crossing float64) AcidBase {
		return AcidMade(AcidConditions{c.Charge.Value, efficiency, couple, perElectron, crossing})
	}
	if c.Separator == NoSeparator {
		return []float64{made(0).Bath}
	}
	crossing := a.crossing(perElectron)
	return []float64{-made(crossing.Best).Catholyte, -made(crossing.Low).Catholyte, -made(crossing.High).Catholyte}
}

// acidPerElectron is the mol of H⁺ per mol of electrons at the expected anode.
func (a *Assessment) acidPerElectron() float64 {
	if c := a.Conditions; c.SolubleAnode || len(a.Anode) == 0 {
		return 0
	}
	return a.Anode[0].AcidPerElectron
}

// totals lists what is dissolved, mol/m³: what salts brought, the metal as stated, and where only that is stated the anion that belongs to it.
// It is nil where the table has no constants for the medium.
func (c Conditions) totals() (solution.Totals, matter.Mark, string) {
	totals := solution.Totals{}
	totals.Add(c.Dissolved, 1)
	mark, source := matter.Published, "constants of NIST Standard Reference Database 46 and the like"
	valence := c.Valence
	if couple, err := c.Metal.Couple(c.Medium, c.Valence); err == nil {
		valence = couple.Valence
	}
	ion, known := solution.Ion(c.Metal.Element.Symbol, valence)
	anions := func(component solution.Component, charge float64) {
		if c.Dissolved[ion] == 0 { // no salt brought the metal
			totals[component] += float64(valence) * c.Concentration.Value / charge
		}
	}
	switch c.Medium {
	case matter.Sulfate:
		anions("SO4-2", 2)
		totals["SO4-2"] += c.FreeAcid.Value / 2
	case matter.Chloride:
		anions("Cl-", 1)
	case matter.Nitrate, matter.Sulfamate, matter.Methanesulfonate, matter.Fluoborate: // these bind neither acid nor metal
	case matter.Ammine:
		if totals["NH3"] == 0 {
			totals["NH3"], mark = ligandPerIon*c.Concentration.Value+c.Ligand.Value, matter.Assumed
			source += "; ammonia taken as six to an ion, besides what is free"
		}
	case matter.Cyanide:
		if totals["CN-"] == 0 {
			totals["CN-"], mark = 4*c.Concentration.Value+c.Ligand.Value, matter.Assumed
			source += "; cyanide taken as four to an ion, besides what is free"
		}
	case matter.Alkaline:
	default:
		return nil, mark, source
	}
	if c.Chloride.Known() && totals["Cl-"] == 0 {
		totals["Cl-"] = c.Chloride.Value
	}
	if known {
		totals[ion] = c.Concentration.Value
	}
	return totals, mark, source
}

// acidPH is the pH that the stated acid makes in the bath: bisulfate takes part of it up. Without constants for the medium the acid counts as strong.
func (c Conditions) acidPH() float64 {
	strong := -math.Log10(c.FreeAcid.Value / standardConcentration)
	totals, _, _ := c.totals()
	if totals == nil {
		return strong
	}
	totals[solution.H] = c.FreeAcid.Value
	e, err := solution.Solve(totals, orAssumed(c.Temperature, matter.RoomTemperature, 0, "").Value, solution.Davies)
	if err != nil {
		return strong
	}
	return e.PH
}

// anolyteEnd is the pH of the anolyte with what the anode made and did not cross.
func (a *Assessment) anolyteEnd() Band {
	c := a.Conditions
	totals := solution.Totals{}
	start := math.Pow(10, -c.AnolytePH.Value) * standardConcentration
	switch c.AnolyteMedium {
	case matter.Sulfate: // the acid is sulfuric, half of it a bisulfate
		totals["SO4-2"] = math.Max(start, a.Acid.Anolyte.Best/c.Anolyte.Value/2)
	case matter.Chloride, matter.Nitrate, matter.Sulfamate, matter.Methanesulfonate, matter.Fluoborate, matter.Alkaline:
	default:
		return Band{}
	}
	liquid := solution.Liquid{Totals: totals, PH: c.AnolytePH.Value, Kelvin: c.Temperature.Value}
	end := newExtremes()
	for _, acid := range []float64{a.Acid.Anolyte.Best, a.Acid.Anolyte.Low, a.Acid.Anolyte.High} {
		span, err := liquid.After(solution.Totals{solution.H: acid / c.Anolyte.Value}, c.Temperature.Value)
		if err != nil {
			return Band{}
		}
		end.add(span.Low, span.Best, span.High)
	}
	return end.band(matter.Weakest(matter.Published, c.AnolytePH.Mark, a.Acid.Anolyte.Mark), "mass balance of acid; "+a.Acid.Anolyte.Source)
}

// fallsOut finds the hydroxide or basic salt with the lowest onset.
func (a *Assessment) fallsOut(bath solution.Liquid) {
	onsets, err := bath.Hydroxides()
	if err != nil {
		return
	}
	l := &a.Liquid
	for _, o := range onsets {
		if l.Falls != "" && o.PH.Low >= l.FallsAt.Low {
			continue
		}
		l.Falls = o.Solid.Name
		l.FallsAt = Band{o.PH.Low, o.PH.Best, o.PH.High, o.Solid.Mark, o.Solid.Source + "; fresh and aged precipitates differ"}
	}
}

// potentialsAtEnd works out metal and hydrogen with what is left of the metal and the pH of the end: complexes of the bath's ligands are
// in the activity of the ion.
func (a *Assessment) potentialsAtEnd(bath solution.Liquid, ion solution.Component, gone float64) {
	c, l := a.Conditions, &a.Liquid
	t := c.Temperature.Value
	left := solution.Totals{}
	left.Add(bath.Totals, 1)
	left[ion] -= gone
	plain, err := c.Metal.Couple(matter.Sulfate, a.Couple.Valence)
	if err != nil || plain.Ligands != 0 || plain.Protons != 0 {
		return
	}
	metal := newExtremes()
	for _, ph := range []float64{l.End.Best, l.End.Low, l.End.High} {
		for _, rule := range []solution.Activity{solution.Davies, solution.Ideal} {
			e, err := solution.At(left, ph, t, rule)
			if err != nil {
				return
			}
			v := MetalPotential(plain.Potential.Value, plain.Valence, math.Pow(10, e.Activity(ion))*standardConcentration, t)
			metal.add(v, v, v)
		}
	}
	l.PotentialAtEnd = metal.band(matter.Weakest(l.End.Mark, plain.Potential.Mark), "Nernst with the activity of the free ion; standard potential: "+plain.Potential.Source)
	l.HydrogenAtEnd = Band{HydrogenPotential(l.End.High, t), HydrogenPotential(l.End.Best, t), HydrogenPotential(l.End.Low, t), l.End.Mark, "Nernst at one atmosphere"}
}

// extremes gathers the first best value and the bounds of all.
type extremes struct {
	low, best, high float64
	any             bool
}

func newExtremes() extremes { return extremes{low: math.Inf(1), high: math.Inf(-1)} }

func (x *extremes) add(low, best, high float64) {
	if !x.any {
		x.best, x.any = best, true
	}
	x.low, x.high = math.Min(x.low, low), math.Max(x.high, high)
}

func (x *extremes) band(mark matter.Mark, source string) Band {
	return Band{x.low, x.best, x.high, mark, source}
}

// liquidCautions says what the pH of the end means.
func (a *Assessment) liquidCautions(say func(string, ...any)) {
	c, l := a.Conditions, &a.Liquid
	if !l.Known() {
		return
	}
	where := "bath"
	if c.Separator != NoSeparator {
		where = "catholyte"
	}
	if c.PH.Value-l.End.Best > 0.5 {
		why, help := "The acid of the anode stays in the bath", "check the pH on the way, and neutralize or bleed"
		if c.Separator != NoSeparator {
			why, help = "Acid crosses the separator", "check the pH on the way, keep the level of the catholyte above that of the anolyte, and neutralize"
		}
		say("%s: the %s ends near pH %.1f (%.1f to %.1f), which volts and amperes hardly show; %s.", why, where, l.End.Best, l.End.Low, l.End.High, help)
	}
	if w, ok := c.Metal.Window(c.Medium); ok && w.PH.Known() {
		switch {
		case l.End.Best < w.PH.Low-0.2 && c.PH.Value >= w.PH.Low-0.2:
			say("pH %.1f at the end lies below the usual window, %.3g to %.3g: hydrogen takes a growing share, and the current efficiency falls below what is reckoned with here.", l.End.Best, w.PH.Low, w.PH.High)
		case l.End.Best > w.PH.High+0.2 && c.PH.Value <= w.PH.High+0.2:
			say("pH %.1f at the end lies above the usual window, %.3g to %.3g.", l.End.Best, w.PH.Low, w.PH.High)
		}
	}
	if l.Falls != "" && l.End.High >= l.FallsAt.Low && l.End.High > c.PH.Value+0.1 {
		say("%s falls out from about pH %.1f on, and the %s may end at pH %.1f: it blinds diaphragm and cathode. Hold the pH with acid or a buffer.", l.Falls, l.FallsAt.Low, where, l.End.High)
	}
	if o := a.Plating.Overpotential; o.Known() && l.PotentialAtEnd.Mark != matter.Unmarked && a.Plating.Margin.Value > 0.1 {
		if low, _ := l.margin(o.Value); low < 0.1 {
			say("At the end, with %.3g g/L left and pH %.1f, the metal may no longer plate: its margin over hydrogen is %s.", c.FinalConcentration.Value*c.Metal.Element.Weight.Value, l.End.Low, fmt.Sprintf("%.2f V", low))
		}
	}
}
