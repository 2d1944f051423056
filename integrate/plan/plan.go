// Package plan says what a run will take and make before it begins: the charge and the time, what had to be assumed for
// them, and what the cell does besides winning metal. It computes and words nothing but the verdict; how a plan is shown is another room's.
//
// All numbers are SI. The package is deterministic and has no clock, file or goroutine.
package plan

import (
	"fmt"

	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// Order is everything that is stated of a run.
type Order struct {
	Bath bath.Order
	// Cell is what is stated of the cell besides. What follows from the bath (metal, medium, charge, efficiency,
	// concentrations, volume) is filled in.
	Cell electrolysis.Conditions
	// Assays taken in an earlier run of the same cell fit the mass transfer, which then replaces the stated one.
	Assays      []bath.Assay
	HoldAmperes float64 // 0 or NaN: not stated
}

// Plan is an order settled.
type Plan struct {
	Order   Order // with what was assumed and fitted filled in
	Bath    *bath.Plan
	Assumed []Assumption
	Fit     *bath.Fit // nil without assays
	// Assessed is nil when neither current nor cathode area is known: then nothing can be said of gas and heat.
	Assessed *electrolysis.Assessment
}

// New settles an order. The error joins every bath.Mistake there is in it, or says what the cell cannot be.
func New(o Order) (*Plan, error) {
	p := &Plan{Order: o}
	p.assumeCurrentOrArea()
	if err := p.fit(); err != nil {
		return nil, err
	}
	made, err := BathOf(p.Order)
	if err != nil {
		return nil, err
	}
	p.Bath = made
	p.noteAssays()
	p.Assessed, err = assess(p.Order, made)
	return p, err
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
		c.AtAnode = electrolysis.Band{Low: f.Low / molar, Best: f.Value / molar, High: f.High / molar, Mark: f.Mark, Source: p.Anode.Share.Source}
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

// fit replaces the mass transfer by the one that fits the assays.
func (p *Plan) fit() error {
	o := &p.Order.Bath
	if len(p.Order.Assays) == 0 {
		return nil
	}
	metal, err := matter.LookUp(o.Contents.Metal)
	if err != nil {
		return nil // the plan of the bath says what is wrong
	}
	mistake := func(format string, args ...any) error {
		return &bath.Mistake{Field: "assayed", Problem: fmt.Sprintf(format, args...)}
	}
	if !o.Efficiency.Fraction.Known() || !o.Conditions.CathodeArea.Known() || !o.Contents.Volume.Known() {
		return mistake("the fit needs the efficiency, the cathode area and the volume too")
	}
	couple, err := metal.Couple(o.Contents.MediumTold(), o.Contents.Valence)
	if err != nil {
		return mistake("%v", err)
	}
	fit, err := bath.FitTransfer(bath.Batch{
		Valence: couple.Valence, Volume: o.Contents.Volume.Value, Area: o.Conditions.CathodeArea.Value,
		Efficiency: o.Efficiency.Fraction.Value,
		Anode:      o.Anode.At(metal, couple, o.Contents.MediumTold(), o.Contents.Divided).Uptake().Best,
	}, metal.Element.Weight.Value, p.Order.Assays, false)
	if err != nil {
		return mistake("%v", err)
	}
	p.Fit = &fit
	o.Efficiency.Stirring, o.Efficiency.MassTransfer = "", fit.MassTransfer
	return nil
}
