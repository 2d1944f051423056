// Package plan says what a run will take and make before it begins: the charge and the time, what had to be assumed for
// them, and what the cell does besides winning metal. It computes and words nothing but the verdict; how a plan is shown is another room's.
//
// All numbers are SI. The package is deterministic and has no clock, file or goroutine.
package plan

import (
	"fmt"
	"math"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// Order is everything that is stated of a run.
type Order struct {
	Bath bath.Order
	// Cell is what is stated of the cell besides. What follows from the bath (metal, medium, charge, efficiency,
	// concentrations, volume) is filled in.
	Cell        electrolysis.Conditions
	HoldAmperes float64 // 0 or NaN: not stated
}

// Plan is an order settled.
type Plan struct {
	Order   Order // with what was assumed filled in
	Bath    *bath.Plan
	Assumed []Assumption
	// Assessed is nil when neither current nor cathode area is known: then nothing can be said of gas and heat.
	Assessed *electrolysis.Assessment
}

// New settles an order. The error joins every bath.Mistake there is in it, or says what the cell cannot be.
func New(o Order) (*Plan, error) {
	p := &Plan{Order: o}
	p.assumeCurrentOrArea()
	made, err := BathOf(p.Order)
	if err != nil {
		return nil, err
	}
	p.Bath = made
	p.noteAssays()
	if p.Assessed, err = assess(p.Order, made); err == nil && p.Assessed != nil {
		p.lower()
	}
	return p, err
}

// lower extends what the charge wins, and what it leaves, to the lowest efficiency that the pH of the run may lead to: no plan promises
// what its own cautions deny. A loss of less than leastLoss of the current is within the other doubts.
func (p *Plan) lower() {
	const leastLoss = 0.02
	a, g := p.Assessed, &p.Bath.Goal
	low, _ := a.Conditions.Efficiency.Limits()
	lowest := a.Plating.Lowest
	if !lowest.Known() || lowest.Value >= low-leastLoss {
		return
	}
	least := g.Deposit.Value * lowest.Value / a.Conditions.Efficiency.Value
	for _, f := range []struct {
		*matter.Figure
		end float64
	}{{&g.Deposit, least}, {&g.Recovered, least / p.Bath.Amount.Value}, {&g.Left, g.Left.Value + (g.Deposit.Value-least)/p.Bath.Volume.Value}} {
		low, high := f.Limits()
		f.Low, f.High, f.Mark = math.Min(low, f.end), math.Max(high, f.end), matter.Assumed
	}
}

// BathOf plans the bath of an order. Stirring brings metal as it does at the temperature that the bath reaches, where none is stated.
func BathOf(o Order) (*bath.Plan, error) {
	p, err := bath.NewPlan(o.Bath)
	if err != nil || o.Bath.Efficiency.Stirring == "" || o.Bath.Conditions.Temperature.Known() {
		return p, err
	}
	if a, err := assess(o, p); err == nil && a != nil {
		o.Bath.Conditions.Reached = a.Conditions.Temperature.Value
		return bath.NewPlan(o.Bath)
	}
	return p, nil // what is wrong with the cell is said by who asks for it
}

// Fill completes what is stated of a cell by what the plan of its bath tells.
func Fill(stated electrolysis.Conditions, p *bath.Plan) electrolysis.Conditions {
	c := stated
	c.Metal, c.Medium, c.Valence, c.Ammonium, c.Dissolved = p.Metal, p.Medium, p.Valence, p.Ammonium, p.Dissolved
	for _, other := range p.Others {
		c.Others = append(c.Others, other.Metal.String())
	}
	c.Charge, c.Efficiency, c.Volume = p.Goal.Charge, p.Efficiency, p.Volume
	c.Concentration = matter.Figure{Value: p.Amount.Value / p.Metal.Element.Weight.Value / p.Volume.Value, Mark: matter.Weakest(p.Amount.Mark, p.Volume.Mark)}
	if f, molar := p.Goal.Anode, p.Metal.Element.Weight.Value; p.Anode.Electrons > 0 {
		if !f.Skewed() {
			f.Low, f.High = f.Value, f.Value
		}
		c.AtAnode = matter.Figure{Low: f.Low / molar, Value: f.Value / molar, High: f.High / molar, Mark: f.Mark, Source: p.Anode.Share.Source}
		c.Oxide = p.Anode.Oxide
	}
	if !c.Chloride.Known() {
		c.Chloride = p.Chloride // that of the salts
	}
	return c
}

// assess says what else the cell does; nil unless current and area are known.
func assess(o Order, p *bath.Plan) (*electrolysis.Assessment, error) {
	given := o.Bath.Conditions
	if !given.Current.Known() || !given.CathodeArea.Known() {
		return nil, nil
	}
	c := Fill(o.Cell, p)
	c.Current, c.CathodeArea = given.Current, given.CathodeArea
	c.Efficiency = overall(p)
	c.FinalConcentration = matter.Figure{Value: p.Goal.Left.Value / p.Metal.Element.Weight.Value, Mark: p.Goal.Left.Mark}
	a, err := electrolysis.Assess(c)
	if err != nil {
		return nil, err
	}
	return &a, nil
}

// Verdict answers whether metal will plate. Where nobody stated the efficiency and one of the missing conditions may cost half of
// it or more, it says what to do first.
func (p *Plan) Verdict() string {
	verdict := ""
	if p.Assessed != nil {
		verdict = p.Assessed.Plating.Verdict
	}
	if p.Bath.Starved() {
		verdict = electrolysis.Both("Only if you lower the current, enlarge the cathode or force the flow: stirred by gas alone, less metal reaches the cathode from the beginning than the current could deposit.", verdict)
	}
	lowest := p.Bath.Efficiency.Low
	var first []matter.Need
	for _, need := range p.Bath.Missing {
		if need.Lowest <= p.Window().Efficiency.Low/2 {
			first = append(first, need)
		}
	}
	if first == nil {
		return verdict
	}
	return electrolysis.Both(fmt.Sprintf("Only if you %s: else the efficiency may be as low as %.2g %% (common practice, no source).", p.Bath.MissingText(first), 100*lowest), verdict)
}

// Assumption is a figure that nobody stated and that the plan rests on.
type Assumption struct {
	What      Assumed
	Figure    matter.Figure
	HalfWidth float64 // relative; the truth is taken to lie within it
	Salt      string  // its formula, for an Assay
}

// Assumed names what was assumed.
type Assumed uint8

// What may be assumed.
const (
	Current     Assumed = iota // A, for the middle of the usual current density
	CathodeArea                // m2, likewise
	Assay                      // of a salt: all of it is what its label says
)

// leastGuess is the relative half-width that a guess from a narrow window still has.
const leastGuess = 0.2

// assumeCurrentOrArea fills in the current from the area, or the area from the current, by the
// usual current density, so that time, gas and heat can be told at all.
func (p *Plan) assumeCurrentOrArea() {
	o := &p.Order.Bath
	c := &o.Conditions
	if c.Current.Known() == c.CathodeArea.Known() {
		return
	}
	metal, err := matter.LookUp(o.Contents.Metal)
	if err != nil {
		return // the plan of the bath says what is wrong
	}
	window, ok := metal.Window(o.Contents.MediumTold())
	if !ok || !window.CurrentDensity.Known() {
		return
	}
	usual := window.CurrentDensity
	// Whoever stays within the window is at most its half-width off, a fifth as a rule.
	width := math.Max((usual.High-usual.Low)/2/usual.Middle(), leastGuess)
	guess := func(what Assumed, value float64) matter.Figure {
		f := matter.Figure{Value: value, StandardUncertainty: value * (width / math.Sqrt(3)), Mark: matter.Assumed, Source: "middle of the usual current density"}
		p.Assumed = append(p.Assumed, Assumption{What: what, Figure: f, HalfWidth: width})
		return f
	}
	switch {
	case c.Current.Known() && o.Target.Form == bath.Thickness: // the answer itself would rest on the guess
	case c.Current.Known():
		c.CathodeArea = guess(CathodeArea, c.Current.Value/usual.Middle())
	case c.CathodeArea.Value > 0:
		c.Current = guess(Current, c.CathodeArea.Value*usual.Middle())
	}
}

// noteAssays tells of every salt of the metal whose assay nobody stated.
func (p *Plan) noteAssays() {
	for _, salt := range p.Order.Bath.Contents.Salts {
		if f, err := matter.ParseFormula(salt.Formula); err == nil && f.Count(p.Bath.Metal.String()) > 0 && !salt.Assay.Known() {
			p.Assumed = append(p.Assumed, Assumption{What: Assay, Figure: matter.Figure{Value: 1, StandardUncertainty: bath.AssayDoubt, Mark: matter.Assumed}, HalfWidth: math.Sqrt(3) * bath.AssayDoubt, Salt: salt.Formula})
		}
	}
}

// holdShare is the hold current over the working one when none is stated. Common practice, no source.
const holdShare = 0.1

// Hold is the low current, in A, that keeps a deposit from dissolving: the stated one, or a tenth of the working one,
// then marked as assumed; not Known without either.
func (p *Plan) Hold() matter.Figure {
	if h := p.Order.HoldAmperes; h > 0 {
		return matter.Figure{Value: h, Mark: matter.Given}
	}
	if c := p.Bath.Conditions().Current; c.Known() {
		return matter.Figure{Value: c.Value * holdShare, StandardUncertainty: c.Value * holdShare * 0.3, Mark: matter.Assumed, Source: "a tenth"}
	}
	return matter.Figure{}
}

// Tapered is a programme of falling current that holds i/i_lim at Ratio or below.
type Tapered struct {
	Ratio    float64
	Settings []bath.Setting
	Mark     matter.Mark
}

// Taper makes the programme that brings the bath to the target at the plan's current or below.
func (p *Plan) Taper(ratio float64) (*Tapered, error) {
	settings, err := p.Bath.Programme(bath.Taper{LoadRatio: ratio, MaxCurrent: p.Bath.Conditions().Current.Value})
	if err != nil {
		return nil, err
	}
	return &Tapered{ratio, settings, p.Bath.Goal.Duration.Mark}, nil
}
