package plan

import (
	"math"

	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

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
	case c.Current.Known() && o.Target.Thickness.Known(): // the answer itself would rest on the guess
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
