// Package electrolysis says what a cell will do besides the sum of its charge:
// whether the metal can plate, at which voltage no honest current can flow, what
// gas, acid, base, water and heat the charge makes, what the leads must carry,
// and what it costs.
//
// Everything is a pure function of its arguments in SI base units (kelvin, mol/m³,
// A/m², m³/s ...). A single-formula function returns NaN when an argument lies
// outside the domain that its comment states; the functions that take a struct
// return one error that lists every mistake. Thermodynamics bounds what may
// happen, kinetics decides what does: figures that rest on a table of this
// package say where they come from, and none of them is a safety device.
package electrolysis

import (
	"fmt"
	"math"
	"slices"

	"nightcell/integrate/matter"
)

// Assessment is all that this package can say about a cell and a run. Every figure
// carries its mark: the weakest of what went into it.
type Assessment struct {
	Conditions Conditions // as settled: what nobody stated is filled in and marked assumed
	Couple     matter.Couple

	CathodeDensity matter.Figure // A/m²
	AnodeDensity   matter.Figure // A/m²
	Duration       matter.Figure // s, charge over current

	Plating Plating
	Anode   []Reaction    // the expected one first; empty with a soluble anode
	Floor   Floor         // at the start, where it is lowest
	Voltage matter.Figure // V expected at the supply
	Parts   []Component

	Gas    []GasLoad
	Air    Air
	Acid   AcidLoad
	Liquid Liquid
	Water  Water
	Heat   Heat
	Lead   Lead // the zero Lead if no single flexible lead carries the current; a caution says so
	Clip   Clip
	Energy EnergyUse

	Dangers, Cautions []string // what can hurt somebody; what else to know beforehand
}

// Assess works out everything for the conditions. The error lists every figure that is
// missing or impossible. A temperature that nobody stated is the one that the bath reaches by its own heat: all figures are for that.
func Assess(c Conditions) (Assessment, error) {
	a, err := warmed(c)
	if err != nil {
		return Assessment{}, err
	}
	a.fallsOut()
	a.follow()
	a.platingAtEnd()
	a.gases()
	a.air()
	a.water()
	a.energy()
	a.Clip, a.Lead = clipFor(c.Current.Value), leadFor(c.Current.Value, a.Conditions.LeadLength.Value, leadDrop)
	a.cautions()
	a.Conditions.FreeAcid = a.freeAcid()
	return a, nil
}

// Warming ends after so many steps, or where another would change less than that many K.
const (
	mostWarmings = 8
	warmEnough   = 0.05
)

// warmed is begun at the temperature that the bath reaches in the run. The hotter it is taken, the better it conducts and the less it
// warms itself, so that the secant finds where both agree.
func warmed(c Conditions) (Assessment, error) {
	a, err := begun(c)
	if err != nil || c.Temperature.Known() {
		return a, err
	}
	var before, was float64
	for range mostWarmings {
		now := a.Conditions.Temperature.Value
		part := -math.Expm1(-a.Duration.Value / a.Heat.TimeConstant.Value) // of the way: nobody heats or cools it, and it begins as warm as the room
		ambient, steady := a.Conditions.Ambient, a.Heat.Steady
		reached := matter.Figure{Value: ambient.Value + part*(steady.Value-ambient.Value), Mark: matter.Assumed, Source: "reached by its own heat",
			StandardUncertainty: math.Hypot(ambient.StandardUncertainty, part*a.Heat.riseDoubt)}
		off := reached.Value - now
		if before > 0 && math.Abs(off) < warmEnough {
			break
		}
		next := reached.Value
		if slope := (off - was) / (now - before); before > 0 && slope < 0 {
			next = now - off/slope
		}
		before, was = now, off
		reached.Value = math.Max(matter.ZeroCelsius, math.Min(next, boiling))
		c.Temperature = reached
		if a, err = begun(c); err != nil {
			return a, err
		}
	}
	return a, nil
}

// begun has what the bath is at the start, and the heat that follows.
func begun(c Conditions) (Assessment, error) {
	c, couple, err := c.settle()
	if err != nil {
		return Assessment{}, err
	}
	a := Assessment{Conditions: c, Couple: couple}
	a.CathodeDensity = combine(c.Current.Value/c.CathodeArea.Value, "current over cathode area", c.Current, c.CathodeArea)
	a.AnodeDensity = combine(c.Current.Value/c.AnodeArea.Value, "current over anode area", c.Current, c.AnodeArea)
	a.Duration = skewed(combine(c.Charge.Value/c.Current.Value, "charge over current", c.Charge, c.Current), c.Charge, 1)
	a.liquid()
	a.plating()
	a.anode()
	a.acid()
	if err := a.voltage(); err != nil {
		return Assessment{}, err
	}
	a.heat()
	return a, nil
}

// combine is a product or quotient of independent figures: relative standard
// uncertainties add in quadrature, and the mark is the weakest.
func combine(value float64, source string, parts ...matter.Figure) matter.Figure {
	f := matter.Figure{Value: value, Source: source}
	var squares float64
	for _, p := range parts {
		squares += p.Relative() * p.Relative()
		f.Mark = matter.Weakest(f.Mark, p.Mark)
	}
	f.StandardUncertainty = math.Abs(value) * math.Sqrt(squares)
	return f
}

func difference(x, y matter.Figure, source string) matter.Figure {
	return matter.Figure{
		Value: x.Value - y.Value, StandardUncertainty: math.Hypot(x.StandardUncertainty, y.StandardUncertainty),
		Mark: matter.Weakest(x.Mark, y.Mark), Source: source,
	}
}

func (a *Assessment) anode() {
	c := a.Conditions
	anolyte := anolyteLiquid{c.AnolyteMedium, c.AnolytePH.Value, c.Chloride.Value, c.Temperature.Value, c.Others}
	if c.Medium == matter.Chloride && c.AnolyteMedium != matter.Chloride && !(c.Chloride.Value > traceChloride) {
		anolyte.Chloride = standardConcentration // what crosses cannot be ruled out
	}
	if !c.SolubleAnode {
		a.Anode = anodeReactions(anolyte, c.Metal.Element.Symbol)
	}
	a.Floor = floorVoltage(a.Anode, a.Plating.Metal.Value, hydrogenPotential(c.PH.Value, c.Temperature.Value))
	a.Floor.Mark = matter.Weakest(matter.Published, a.Plating.Metal.Mark, c.AnolytePH.Mark, c.Temperature.Mark)
}

// freeAcid settles the acid between the plates that the conductivity rests on: what
// is stated or the pH says at the start, and half of what the run makes, which is the middle of the run; behind a separator half of the way is anolyte.
func (a *Assessment) freeAcid() matter.Figure {
	c := a.Conditions
	middle := func(start, gained float64, volume matter.Figure) float64 {
		return start + math.Max(0, gained)/volume.Value/2
	}
	ofPH := func(pH matter.Figure) float64 { return standardConcentration * math.Pow(10, -pH.Value) }
	acid := orAssumed(c.FreeAcid, ofPH(c.PH), 0, "").Value
	if c.Separator == NoSeparator {
		acid = middle(acid, a.Acid.Bath.Value, c.Volume)
	} else {
		acid = (middle(acid, -a.Acid.Catholyte.Value, c.Volume) + middle(ofPH(c.AnolytePH), a.Acid.Anolyte.Value, c.Anolyte)) / 2
	}
	return matter.Figure{Value: acid, StandardUncertainty: 0.5 * acid, Mark: matter.Assumed, Source: "at the start, and half of what the run makes"}
}

// shortFraction is the share of the floor below which steady current means metal touching metal or an anode that dissolves: between 80
// and 90 %, to leave room for the meter and the pH of the anolyte. Common practice, no source.
const shortFraction = 0.85

func (a *Assessment) voltage() error {
	c := a.Conditions
	if v := c.CellVolts; v.Known() && !c.SolubleAnode && v.Value+2*v.StandardUncertainty < shortFraction*a.Floor.Metal {
		return fmt.Errorf("cell voltage is %.3g V, and no %s deposits below %.2f V (%s at the anode): it was measured over a short, at another cell or with the current off; measure it at the cell under current, or leave it out",
			v.Value, c.Metal.Element.Name, a.Floor.Metal, a.Floor.Reaction)
	}
	conductivity := assumedConductivity(c.Medium, a.freeAcid().Value, c.Temperature.Value)
	if c.Conductivity.Known() {
		conductivity = limited(c.Conductivity)
		conductivity.Low = math.Max(conductivity.Low, conductivity.Value/2)
	}
	leads := assumed(0.03, 0.1, 0.3, "sized as advised, good joints")
	if c.LeadOhms.Known() {
		leads = limited(combine(c.LeadOhms.Value*c.Current.Value, "resistance × current", c.LeadOhms, c.Current))
		leads.Low = math.Max(leads.Low, 0)
	}
	a.Parts = a.voltageParts(conductivity, leads)
	a.Voltage = sum(a.Parts)
	return nil
}

// volts returns the voltage to reckon with: measured at the cell, or the expected band.
func (a *Assessment) volts() matter.Figure {
	if a.Conditions.CellVolts.Known() {
		return a.Conditions.CellVolts
	}
	return matter.Figure{Value: a.Voltage.Value, StandardUncertainty: (a.Voltage.High - a.Voltage.Low) / 4, Mark: a.Voltage.Mark, Source: "expected cell voltage"}
}

// band is a figure that is known only to lie between low and high, most likely near best, in the unit that its owner states.
func band(low, best, high float64, mark matter.Mark, source string) matter.Figure {
	return matter.Figure{Value: best, Low: low, High: high, Mark: mark, Source: source}
}

// assumed is a band that nobody vouches for.
func assumed(low, best, high float64, why string) matter.Figure {
	return band(low, best, high, matter.Assumed, why)
}

// limited is the band of a figure's limits, or of two standard uncertainties about it.
func limited(f matter.Figure) matter.Figure {
	low, high := f.Limits()
	return band(low, f.Value, high, f.Mark, f.Source)
}

// skewed gives a figure that goes with a power of another one, whose doubt is among its own, the limits of that one, if it has any; twice
// what the other doubts make of it comes on top in quadrature.
func skewed(f, by matter.Figure, power float64) matter.Figure {
	if by.Skewed() {
		one, other := f.Value*math.Pow(by.Low/by.Value, power), f.Value*math.Pow(by.High/by.Value, power)
		rest := 2 * f.Value * math.Sqrt(math.Max(0, f.Relative()*f.Relative()-by.Relative()*by.Relative()))
		f.Low, f.High = math.Max(0, f.Value-math.Hypot(f.Value-math.Min(one, other), rest)), f.Value+math.Hypot(math.Max(one, other)-f.Value, rest)
	}
	return f
}

// between gives a figure the limits that the ends of what is known only as a range lead to; its own limits, or twice its doubt, come on top in
// quadrature. What both ends leave above zero stays there.
func between(f matter.Figure, ends ...float64) matter.Figure {
	low, high := math.Min(f.Value, slices.Min(ends)), math.Max(f.Value, slices.Max(ends))
	if high > low {
		own := limited(f)
		f.Low, f.High = f.Value-math.Hypot(f.Value-low, f.Value-own.Low), f.Value+math.Hypot(high-f.Value, own.High-f.Value)
		if low >= 0 {
			f.Low = math.Max(0, f.Low)
		}
		f.Mark = matter.Assumed
	}
	return f
}

// including returns a band widened to hold a value.
func including(b matter.Figure, v float64) matter.Figure {
	b.Low, b.High = math.Min(b.Low, v), math.Max(b.High, v)
	return b
}

// shifted returns a band moved by an amount.
func shifted(b matter.Figure, by float64) matter.Figure {
	b.Low, b.Value, b.High = b.Low+by, b.Value+by, b.High+by
	return b
}

// sum adds independent bands: the best values add, the distances to the low and to
// the high ends add in quadrature, and the mark is the weakest of all.
func sum(parts []Component) matter.Figure {
	var total matter.Figure
	var down, up float64
	for _, p := range parts {
		total.Value += p.Value
		down += (p.Value - p.Low) * (p.Value - p.Low)
		up += (p.High - p.Value) * (p.High - p.Value)
		total.Mark = matter.Weakest(total.Mark, p.Mark)
	}
	total.Low, total.High = total.Value-math.Sqrt(down), total.Value+math.Sqrt(up)
	total.Source = "sum of the parts, their spreads added in quadrature"
	return total
}

// standardConcentration is 1 mol/L in mol/m³, the reference of concentrations used as activities.
const standardConcentration = 1000.0
