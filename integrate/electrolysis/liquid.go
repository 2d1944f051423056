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
	Start      matter.Figure // pH with the whole charge still to come
	End        matter.Figure // pH when the charge has passed
	Course     []PHPoint     // pH against charge, from the start to the end
	AnolyteEnd matter.Figure // of a divided cell
	IfDivided  matter.Figure // of an undivided cell: where the catholyte would end behind a diaphragm
	// Falls is the hydroxide or basic salt that falls out at the lowest pH, and from which pH on.
	Falls   string
	FallsAt matter.Figure
	// FallsAfter is the charge in C from which it may fall in this run; +Inf: never.
	FallsAfter float64
	// fallsAtBest says that it falls by the likeliest pH, were it not held by what falls.
	fallsAtBest bool
	// DissolvesAfter is the charge in C from which hydrogen takes the whole current, so that the deposit dissolves; +Inf: never.
	DissolvesAfter float64

	bath solution.Liquid // at the start
	ion  solution.Component
	mark matter.Mark
	from string
}

// PHPoint is the pH after a charge.
type PHPoint struct {
	Charge float64 // C
	PH     matter.Figure
	left   solution.Totals // mol/m³, of the best efficiency; the total of H does not count
}

// Known says whether the pH could be followed.
func (l *Liquid) Known() bool { return l.End.Mark != matter.Unmarked }

const (
	ligandPerIon = 6.0 // of ammonia to an ion of an ammine bath, when nobody says how much there is
	spreadTried  = 2   // standard uncertainties of the pH to either side
	courseSteps  = 8
)

// liquid settles what is dissolved, before any current flows. Without constants for the medium it leaves the zero Liquid.
func (a *Assessment) liquid() {
	c, l := a.Conditions, &a.Liquid
	l.FallsAfter, l.DissolvesAfter = math.Inf(1), math.Inf(1)
	totals, mark, source := c.totals()
	if totals == nil {
		return
	}
	l.bath = solution.Liquid{Totals: totals, PH: c.PH.Value, Kelvin: c.Temperature.Value}
	l.mark, l.from = matter.Weakest(mark, c.PH.Mark), source
	if ion, ok := solution.Ion(c.Metal.Element.Symbol, float64(a.Couple.Valence)); ok {
		l.ion = ion
	}
}

// follow takes acid and base through the buffers of the bath. The likeliest acid, the least and the most and the pH of the start at both ends
// are tried by both rules for activity coefficients: the pH only falls with acid, so that these are the extremes of all combinations.
func (a *Assessment) follow() {
	c, l := a.Conditions, &a.Liquid
	if l.bath.Totals == nil {
		return
	}
	spread := spreadTried * c.PH.StandardUncertainty
	l.Start = band(c.PH.Value-spread, c.PH.Value, c.PH.Value+spread, c.PH.Mark, c.PH.Source)
	course := []PHPoint{{PH: l.Start, left: l.bath.Totals}}
	starts := a.starts()
	for i := 1; i <= courseSteps; i++ {
		point, ok := a.after(float64(i)/courseSteps, starts)
		if !ok {
			return // outside what the constants cover
		}
		course = append(course, point)
	}
	l.Course, l.End = course, course[courseSteps].PH
	if c.Separator != NoSeparator {
		l.AnolyteEnd = a.anolyteEnd()
	} else if c.Medium.Acidic() && l.End.Value < l.Start.Value-driftTold {
		l.IfDivided = a.ifDivided()
	}
	var lowest float64
	for i, point := range course {
		if i > 0 && math.IsInf(l.FallsAfter, 1) && a.saturated(point) && !a.saturated(course[0]) {
			l.FallsAfter = point.Charge
		}
		e := a.efficiencyAt(point)
		if e.Mark == matter.Unmarked {
			continue
		}
		if e.Value <= 0 {
			l.DissolvesAfter = math.Min(l.DissolvesAfter, point.Charge)
		}
		if lowest += e.Low / courseSteps; i == 0 || i == courseSteps {
			lowest -= e.Low / 2 / courseSteps // trapezoids
		}
		if i == courseSteps {
			a.Plating.Lowest = matter.Figure{Value: lowest, Mark: e.Mark, Source: e.Source}
		}
	}
}

// start is a bath of a pH and the gains of the run that are tried with it.
type start struct {
	bath  solution.Settled
	gains []gain
}

// starts are the bath as it is with the likeliest, the least and the most acid, and those of the lowest and the highest pH with the likeliest;
// empty outside what the constants cover.
func (a *Assessment) starts() (all []start) {
	l := &a.Liquid
	best, least, most := a.gains()
	for i, pH := range []float64{l.bath.PH, l.Start.Low, l.Start.High} {
		bath := l.bath
		bath.PH = pH
		settled, err := bath.Settle()
		switch {
		case i == 0 && err != nil:
			return nil
		case i == 0:
			all = append(all, start{settled, []gain{best, least, most}})
		case err == nil && pH != l.bath.PH:
			all = append(all, start{settled, []gain{best}})
		}
	}
	return all
}

// after returns the pH once a share of the charge has passed.
func (a *Assessment) after(share float64, starts []start) (PHPoint, bool) {
	c, l := a.Conditions, &a.Liquid
	var reached []matter.Figure
	for i := range starts {
		for _, g := range starts[i].gains {
			change := solution.Totals{solution.H: share * g.acid / c.Volume.Value}
			if l.ion != "" {
				change[l.ion] = -share * g.gone
			}
			span, err := starts[i].bath.After(change, c.Temperature.Value)
			if err == nil {
				if i == 0 && g == starts[0].gains[0] && share == 1 {
					l.fallsAtBest = span.Value > l.FallsAt.High
				}
				most := a.heldByHydroxide(-change[solution.H], l.bath.Totals[l.ion]-share*g.gone)
				reached = append(reached, matter.Figure{Low: math.Min(span.Low, most.Low), Value: math.Min(span.Value, most.Value), High: math.Min(span.High, most.High)})
			} else if i == 0 {
				return PHPoint{}, false
			}
		}
	}
	if reached == nil {
		return PHPoint{}, false
	}
	mark := matter.Weakest(l.mark, c.Efficiency.Mark, c.Charge.Mark, c.Volume.Mark, c.Concentration.Mark, c.AtAnode.Mark, c.Separator.AcidCrossing().Mark)
	left := solution.Totals{}
	left.Add(l.bath.Totals, 1)
	if l.ion != "" {
		left[l.ion] -= share * starts[0].gains[0].gone
	}
	return PHPoint{share * c.Charge.Value, cover(reached, mark, "mass balance of acid and buffers; "+l.from), left}, true
}

// heldByHydroxide returns above which pH base does not bring a bath while its hydroxide falls: as long as metal is left, its solubility
// product holds the pH, which rises by the logarithm of what has fallen over the valence. base and metal are in mol/m³. Infinite where no
// hydroxide is known to fall, or a ligand may hold it.
func (a *Assessment) heldByHydroxide(base, metal float64) matter.Figure {
	at, z := a.Liquid.FallsAt, float64(a.Couple.Valence)
	left := 1 - base/(z*metal)
	if !a.Plating.HydroxidePH.Known() || a.Conditions.Ammonium || !(base > 0 && metal > 0 && left > leastLeft) {
		return matter.Figure{Low: math.Inf(1), Value: math.Inf(1), High: math.Inf(1)}
	}
	rise := -math.Log10(left) / z
	return matter.Figure{Low: at.Low + rise, Value: at.Value + rise, High: at.High + rise}
}

// leastLeft is the share of the metal below which so little is left that its hydroxide holds no pH.
const leastLeft = 0.01

// ifDivided returns the pH at which the catholyte would end behind a diaphragm, beside an anolyte as large.
func (a *Assessment) ifDivided() matter.Figure {
	b := *a
	b.Conditions.Separator = Diaphragm
	b.Conditions.Anolyte = b.Conditions.Volume
	b.Conditions.AnolytePH.Value = divisionAcid
	point, _ := b.after(1, b.starts())
	return point.PH
}

// saturated tells whether a hydroxide or basic salt may fall at a point of the run.
func (a *Assessment) saturated(point PHPoint) bool {
	for _, ph := range []float64{point.PH.Low, point.PH.High} {
		e, err := solution.At(point.left, ph, a.Conditions.Temperature.Value, solution.Davies)
		if err != nil {
			return false
		}
		for _, s := range e.Solids() {
			if _, beyond := e.Saturation(s); s.Of[solution.H] < 0 && beyond > 0 {
				return true
			}
		}
	}
	return false
}

// gain is what the run does to the bath or catholyte: the mol of H⁺ that it gains and the mol/m³ of metal that leave it.
type gain struct{ acid, gone float64 }

// gains are the likeliest gain and those with the least and the most acid. More of it comes with more efficiency, with more that crosses the separator,
// and from the anode with more oxide, which sets more acid free than oxygen does. Where the metal itself is among the components, the
// hydroxide that a hydroxo complex sets free is in its balance already and not counted here.
func (a *Assessment) gains() (best, least, most gain) {
	c, couple := a.Conditions, a.Couple
	if a.Liquid.ion != "" && couple.Ligand == "hydroxide" {
		couple.Ligands = 0
	}
	made := func(metal, efficiency, crossing float64) gain {
		gone := c.Concentration.Value - c.FinalConcentration.Value + (metal-c.AtAnode.Value+(efficiency-c.Efficiency.Value)*c.Charge.Value/matter.Faraday/float64(couple.Valence))/c.Volume.Value
		gone = math.Min(gone, c.Concentration.Value)
		m := acidMade(c.Charge.Value, efficiency, couple, a.atAnode(metal).acid(&c), crossing)
		if c.Separator == NoSeparator {
			return gain{m.Bath, gone}
		}
		return gain{-m.Catholyte, gone}
	}
	crossing := a.crossing()
	low, high := c.Efficiency.Limits()
	low, high = math.Max(0, low), math.Min(1, high)
	best = made(c.AtAnode.Value, c.Efficiency.Value, crossing.Value)
	least, most = made(c.AtAnode.Low, low, crossing.Low), made(c.AtAnode.Low, high, crossing.High)
	if g := made(c.AtAnode.High, low, crossing.Low); g.acid < least.acid {
		least = g
	}
	if g := made(c.AtAnode.High, high, crossing.High); g.acid > most.acid {
		most = g
	}
	return best, least, most
}

// totals lists what is dissolved, mol/m³: what salts brought, the metal as stated, and where only that is stated the anion that belongs to it.
// It is nil where the table has no constants for the medium.
func (c Conditions) totals() (solution.Totals, matter.Mark, string) {
	totals := solution.Totals{}
	totals.Add(c.Dissolved, 1)
	mark, source := matter.Published, "stability constants, mostly of NIST Standard Reference Database 46 (2004) as the U.S. Geological Survey reprints them in minteq.v4.dat"
	valence := c.Valence
	if couple, err := c.Metal.Couple(c.Medium, c.Valence); err == nil {
		valence = couple.Valence
	}
	ion, known := solution.Ion(c.Metal.Element.Symbol, float64(valence))
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
func (a *Assessment) anolyteEnd() matter.Figure {
	c := a.Conditions
	totals := solution.Totals{}
	start := math.Pow(10, -c.AnolytePH.Value) * standardConcentration
	switch c.AnolyteMedium {
	case matter.Sulfate: // the acid is sulfuric, half of it a bisulfate
		totals["SO4-2"] = math.Max(start, a.Acid.Anolyte.Value/c.Anolyte.Value/2)
	case matter.Chloride, matter.Nitrate, matter.Sulfamate, matter.Methanesulfonate, matter.Fluoborate, matter.Alkaline:
	default:
		return matter.Figure{}
	}
	liquid, err := solution.Liquid{Totals: totals, PH: c.AnolytePH.Value, Kelvin: c.Temperature.Value}.Settle()
	if err != nil {
		return matter.Figure{}
	}
	var end []matter.Figure
	for _, acid := range []float64{a.Acid.Anolyte.Value, a.Acid.Anolyte.Low, a.Acid.Anolyte.High} {
		span, err := liquid.After(solution.Totals{solution.H: acid / c.Anolyte.Value}, c.Temperature.Value)
		if err != nil {
			return matter.Figure{}
		}
		end = append(end, span)
	}
	return cover(end, matter.Weakest(matter.Published, c.AnolytePH.Mark, a.Acid.Anolyte.Mark), "mass balance of acid; "+a.Acid.Anolyte.Source)
}

// fallsOut finds the hydroxide or basic salt with the lowest onset.
func (a *Assessment) fallsOut() {
	l := &a.Liquid
	if l.bath.Totals == nil {
		return
	}
	onsets, err := l.bath.Hydroxides()
	if err != nil {
		return
	}
	for _, o := range onsets {
		if l.Falls != "" && o.PH.Low >= l.FallsAt.Low {
			continue
		}
		l.Falls = o.Solid.Name
		l.FallsAt = band(o.PH.Low, o.PH.Value, o.PH.High, o.Solid.Mark, o.Solid.Source+"; fresh and aged precipitates differ")
	}
	// Above the onset and not saturated a ligand holds the metal, and the onset says nothing.
	if c := a.Conditions; c.Medium.Acidic() && l.ion != "" && l.Falls != "" &&
		(c.PH.Value < l.FallsAt.High || a.saturated(PHPoint{PH: matter.Figure{Low: c.PH.Value, High: c.PH.Value}, left: l.bath.Totals})) {
		a.Plating.HydroxidePH = matter.Figure{Value: l.FallsAt.Value, StandardUncertainty: math.Max(0.1, (l.FallsAt.High-l.FallsAt.Low)/4), Mark: l.FallsAt.Mark, Source: l.Falls + ": " + l.FallsAt.Source}
		if c.PH.Value > l.FallsAt.High+hydroxideSure {
			a.Plating.Verdict = onlyIf + fmt.Sprintf("lower the pH from %.1f to below %.1f, or add a ligand: the metal falls as hydroxide at once.", c.PH.Value, l.FallsAt.Value)
		}
	}
}

// cover is the first best value of some spans, at least one, between the bounds of all.
func cover(spans []matter.Figure, mark matter.Mark, source string) matter.Figure {
	b := band(spans[0].Low, spans[0].Value, spans[0].High, mark, source)
	for _, s := range spans {
		b = including(including(b, s.Low), s.High)
	}
	return b
}
