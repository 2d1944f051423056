package plansheet

import (
	"errors"
	"fmt"
	"io"

	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/bath"
	"nightcell/integrate/plan"
)

const (
	plotHeight = 22 * vg.Centimeter
	plotPoints = 241
)

// ErrNoTime says that a plan without a current has no time axis.
var ErrNoTime = errors.New("there is no time axis without a current")

// Draw draws bath, deposit, efficiency and charge against time, as SVG or as PNG.
func Draw(w io.Writer, of *plan.Plan, svg bool) error {
	p := newSheet(Subject{Plan: of})
	course := p.Bath.Course(plotPoints)
	if course == nil {
		return ErrNoTime
	}
	curve := func(name string, value func(bath.Point) float64) report.Curve {
		c := report.Curve{Name: name, Line: make(plotter.XYs, len(course))}
		for i, x := range course {
			c.Line[i] = plotter.XY{X: x.Seconds / 3600, Y: value(x)}
		}
		return c
	}
	return report.DrawPanels(w, fmt.Sprintf("Plan: %s, %s A·h", p.metalName(), quantity.Digits(p.Bath.Goal.Charge.Value*inAmpereHours, p.Bath.Goal.Charge.StandardUncertainty*inAmpereHours)), "h", plotHeight, svg, []report.Panel{
		{Title: "bath", Unit: "g/L", Curves: []report.Curve{curve(p.metalName(), func(x bath.Point) float64 { return x.Concentration })}},
		{Title: "deposit", Unit: "g", Curves: []report.Curve{curve(p.metalName(), func(x bath.Point) float64 { return x.Deposit * 1e3 })}},
		{Title: "efficiency", Unit: "%", Curves: []report.Curve{
			curve("overall", func(x bath.Point) float64 { return x.Overall * 100 }),
			curve("of the moment", func(x bath.Point) float64 { return x.Marginal * 100 }),
		}},
		{Title: "charge", Unit: "A·h", Curves: []report.Curve{curve("passed", func(x bath.Point) float64 { return x.Coulombs * inAmpereHours })}},
	})
}
