package plansheet

import (
	"errors"
	"fmt"
	"image/color"
	"io"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"

	"nightcell/configs/quantity"
	"nightcell/integrate/bath"
	"nightcell/integrate/plan"
)

const (
	plotWidth  = 18 * vg.Centimeter
	plotHeight = 22 * vg.Centimeter
	plotPoints = 241
)

// panel is one curve picture above the common time axis.
type panel struct {
	title, unit string
	curves      []curve
}

type curve struct {
	name  string
	value func(bath.Point) float64
}

// ErrNoTime says that a plan without a current has no time axis.
var ErrNoTime = errors.New("there is no time axis without a current")

// Draw draws bath, deposit, efficiency and charge against time, as SVG or as PNG.
func Draw(w io.Writer, of *plan.Plan, svg bool) error {
	p := newSheet(Subject{Plan: of})
	course := p.Bath.Course(plotPoints)
	if course == nil {
		return ErrNoTime
	}
	panels := []panel{
		{"bath", "g/L", []curve{{p.metalName(), func(x bath.Point) float64 { return x.Concentration }}}},
		{"deposit", "g", []curve{{p.metalName(), func(x bath.Point) float64 { return x.Deposit * 1e3 }}}},
		{"efficiency", "%", []curve{
			{"overall", func(x bath.Point) float64 { return x.Overall * 100 }},
			{"of the moment", func(x bath.Point) float64 { return x.Marginal * 100 }},
		}},
		{"charge", "A·h", []curve{{"passed", func(x bath.Point) float64 { return x.Coulombs * inAmpereHours }}}},
	}
	plots := make([][]*plot.Plot, len(panels))
	for i, panel := range panels {
		one, err := panel.plot(course)
		if err != nil {
			return fmt.Errorf("drawing %s: %w", panel.title, err)
		}
		if i == 0 {
			one.Title.Text = fmt.Sprintf("Plan: %s, %s A·h", p.metalName(), quantity.Digits(p.Bath.Goal.Charge.Value*inAmpereHours, p.Bath.Goal.Charge.StandardUncertainty*inAmpereHours))
		}
		if i == len(panels)-1 {
			one.X.Label.Text = "h"
		}
		plots[i] = []*plot.Plot{one}
	}
	var canvas interface {
		vg.CanvasSizer
		io.WriterTo
	}
	if svg {
		canvas = vgsvg.New(plotWidth, plotHeight)
	} else {
		canvas = vgimg.PngCanvas{Canvas: vgimg.New(plotWidth, plotHeight)}
	}
	tiles := draw.Tiles{Rows: len(panels), Cols: 1, PadY: 3 * vg.Millimeter, PadX: 3 * vg.Millimeter,
		PadTop: 3 * vg.Millimeter, PadBottom: 3 * vg.Millimeter, PadLeft: 3 * vg.Millimeter, PadRight: 5 * vg.Millimeter}
	for i, row := range plot.Align(plots, tiles, draw.New(canvas)) {
		plots[i][0].Draw(row[0])
	}
	if _, err := canvas.WriteTo(w); err != nil {
		return fmt.Errorf("drawing: %w", err)
	}
	return nil
}

func (p panel) plot(course []bath.Point) (*plot.Plot, error) {
	one := plot.New()
	one.Y.Label.Text = p.title + ", " + p.unit
	one.X.Tick.Marker, one.Y.Tick.Marker = plainTicks{}, plainTicks{}
	one.Legend.Left = true
	one.Add(plotter.NewGrid())
	colors := []color.Color{color.RGBA{R: 0x1f, G: 0x5f, B: 0xa8, A: 0xff}, color.RGBA{R: 0xb8, G: 0x4a, B: 0x14, A: 0xff}}
	for i, c := range p.curves {
		points := make(plotter.XYs, len(course))
		for j, x := range course {
			points[j] = plotter.XY{X: x.Seconds / 3600, Y: c.value(x)}
		}
		line, err := plotter.NewLine(points)
		if err != nil {
			return nil, err
		}
		line.Width, line.Color = vg.Points(1.5), colors[i%len(colors)]
		if i > 0 {
			line.Dashes = []vg.Length{vg.Points(5), vg.Points(3)} // told apart without colour too
		}
		one.Add(line)
		if len(p.curves) > 1 {
			one.Legend.Add(c.name, line)
		}
	}
	one.Y.Min = 0
	one.Y.Max *= 1.05
	return one, nil
}

// plainTicks are the usual ticks with no more decimals than their numbers have.
type plainTicks struct{}

// Ticks implements plot.Ticker.
func (plainTicks) Ticks(low, high float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(low, high)
	for i, t := range ticks {
		if t.Label != "" {
			ticks[i].Label = strconv.FormatFloat(t.Value, 'g', 6, 64)
		}
	}
	return ticks
}
