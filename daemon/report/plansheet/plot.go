package plansheet

import (
	"errors"
	"fmt"
	"io"
	"slices"

	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"

	"nightcell/configs/quantity"
	"nightcell/daemon/report"
	"nightcell/integrate/bath"
)

const (
	plotHeight = 22 * vg.Centimeter
	plotPoints = 241
)

// ErrNoTime says that a plan without a current has no time axis.
var ErrNoTime = errors.New("there is no time axis without a current")

// Draw draws bath, deposit, efficiency and charge against time, as SVG or as PNG: of the plan with its band at k = 2, and of those
// that it is compared with.
func Draw(w io.Writer, s Subject, svg bool) error {
	if s.Plan.Bath.Course(plotPoints) == nil {
		return ErrNoTime
	}
	drawn := append([]Subject{s}, s.Compared...)
	panel := func(title, unit string, value func(bath.Point) float64) report.Panel {
		p := report.Panel{Title: title, Unit: unit}
		for i, one := range drawn {
			name := one.Name
			if i == 0 {
				name = "planned"
			}
			p.Curves = append(p.Curves, report.Curve{Name: name, Line: line(one.Plan.Bath, value)})
		}
		return p
	}
	g, b := s.Plan.Bath.Goal, s.Plan.Bath
	left := panel("bath", "g/L", func(x bath.Point) float64 { return x.Concentration })
	first, last := s.Plan.Concentration(), g.Left
	left.Band = within(b, func(x bath.Point) (low, high float64) {
		share := x.Deposit / g.Deposit.Value
		lowFirst, highFirst := first.Limits()
		lowLast, highLast := last.Limits()
		away := func(atFirst, atLast float64) float64 {
			return x.Concentration + (1-share)*(atFirst-first.Value) + share*(atLast-last.Value)
		}
		return max(away(lowFirst, lowLast), 0), away(highFirst, highLast)
	})
	won := panel("deposit", "g", func(x bath.Point) float64 { return x.Deposit * 1e3 })
	least, most := g.Deposit.Limits()
	won.Band = within(b, func(x bath.Point) (low, high float64) {
		return x.Deposit * 1e3 * least / g.Deposit.Value, x.Deposit * 1e3 * most / g.Deposit.Value
	})
	efficiency := panel("efficiency", "%", func(x bath.Point) float64 { return x.Overall * 100 })
	efficiency.Curves = append(efficiency.Curves, report.Curve{Name: "planned, instantaneous", Line: line(b, func(x bath.Point) float64 { return x.Marginal * 100 })})
	title := fmt.Sprintf("Plan: %s, %s A·h", b.Metal.Element.Name, quantity.Digits(g.Charge.Value*inAmpereHours, g.Charge.StandardUncertainty*inAmpereHours))
	return report.Sheet{Title: title, Axis: "time, h", Height: plotHeight, SVG: svg}.Draw(w, []report.Panel{left, won, efficiency,
		panel("charge", "A·h", func(x bath.Point) float64 { return x.Coulombs * inAmpereHours })})
}

func line(b *bath.Plan, value func(bath.Point) float64) plotter.XYs {
	var line plotter.XYs
	for _, x := range b.Course(plotPoints) {
		line = append(line, plotter.XY{X: x.Seconds / 3600, Y: value(x)})
	}
	return line
}

// within is the outline of a band: along its upper edge and back along the lower.
func within(b *bath.Plan, ends func(bath.Point) (low, high float64)) plotter.XYs {
	low := line(b, func(x bath.Point) float64 { v, _ := ends(x); return v })
	high := line(b, func(x bath.Point) float64 { _, v := ends(x); return v })
	slices.Reverse(low)
	return append(high, low...)
}
