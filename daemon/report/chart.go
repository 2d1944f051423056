package report

import (
	"cmp"
	"fmt"
	"image/color"
	"io"
	"math"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgsvg"
)

// Panel is one picture of curves above a time axis that it shares with others.
type Panel struct {
	Title, Unit string
	Curves      []Curve
	Band        plotter.XYs // the outline of where a curve may lie
	Marks       []Mark
	Free        bool           // the axis need not begin at zero
	Ink         int            // of the first curve, the next ones follow
	Clock       *time.Location // the axis is Unix seconds, shown as times of day here; nil: plain numbers
	From, To    float64        // of a Clock, whenever the marks are
}

// Curve is a line, broken at what is no number; every second one is dashed, told apart without colour too.
type Curve struct {
	Name string
	Line plotter.XYs
}

// Mark is something that happened at a time of the axis, or that lasted from X to To.
type Mark struct {
	X, To float64
	Name  string
	Color color.Color // nil: grey
}

// Sheet is what panels are drawn on, below each other: an SVG, or else a PNG of DPI, 96 if that is 0.
type Sheet struct {
	Title, Axis   string
	Width, Height vg.Length // ChartWidth if it is 0
	SVG           bool
	DPI           int
}

const chartWidth = 18 * vg.Centimeter

// endRoom is the share of a time axis that stays free behind the last reading, so that it can be seen to end.
const endRoom = 0.05

var (
	curveColors = []color.Color{color.RGBA{R: 0x1f, G: 0x5f, B: 0xa8, A: 0xff}, color.RGBA{R: 0xb8, G: 0x4a, B: 0x14, A: 0xff}, color.RGBA{R: 0x3a, G: 0x7d, B: 0x44, A: 0xff},
		color.RGBA{R: 0x7a, G: 0x3e, B: 0x9d, A: 0xff}, color.RGBA{R: 0x6b, G: 0x6b, B: 0x20, A: 0xff}}
	shade     = color.RGBA{R: 0xd5, G: 0xe2, B: 0xf0, A: 0xff}
	markColor = color.RGBA{R: 0x80, G: 0x80, B: 0x80, A: 0xff}
)

// Draw draws panels below each other.
func (s Sheet) Draw(w io.Writer, panels []Panel) error {
	plots := make([][]*plot.Plot, len(panels))
	for i, panel := range panels {
		one, err := panel.plot()
		if err != nil {
			return fmt.Errorf("drawing %s: %w", panel.Title, err)
		}
		plots[i] = []*plot.Plot{one}
	}
	plots[0][0].Title.Text = s.Title
	plots[len(plots)-1][0].X.Label.Text = s.Axis
	var canvas interface {
		vg.CanvasSizer
		io.WriterTo
	}
	width := cmp.Or(s.Width, chartWidth)
	if s.SVG {
		canvas = vgsvg.New(width, s.Height)
	} else {
		canvas = vgimg.PngCanvas{Canvas: vgimg.NewWith(vgimg.UseWH(width, s.Height), vgimg.UseDPI(cmp.Or(s.DPI, vgimg.DefaultDPI)))}
	}
	const pad = 3 * vg.Millimeter
	tiles := draw.Tiles{Rows: len(panels), Cols: 1, PadY: pad, PadX: pad, PadTop: pad, PadBottom: pad, PadLeft: pad, PadRight: 5 * vg.Millimeter}
	for i, row := range plot.Align(plots, tiles, draw.New(canvas)) {
		plots[i][0].Draw(row[0])
	}
	if _, err := canvas.WriteTo(w); err != nil {
		return fmt.Errorf("drawing: %w", err)
	}
	return nil
}

func (p Panel) plot() (*plot.Plot, error) {
	one := plot.New()
	one.Y.Label.Text = strings.TrimSuffix(p.Title+", "+p.Unit, ", ")
	one.X.Tick.Marker, one.Y.Tick.Marker = plainTicks{}, plainTicks{}
	if p.Clock != nil {
		one.X.Tick.Marker = clockTicks{p.Clock}
	}
	one.Legend.Left = true
	if len(p.Band) > 0 {
		band, err := plotter.NewPolygon(p.Band)
		if err != nil {
			return nil, err
		}
		band.Color, band.LineStyle.Width = shade, 0
		one.Add(band)
	}
	one.Add(plotter.NewGrid())
	for i, c := range p.Curves {
		if n := len(c.Line); i == 0 && n > 0 {
			one.Legend.Top = c.Line[n-1].Y > c.Line[0].Y // out of the way
		}
		ink := curveColors[(p.Ink+i)%len(curveColors)]
		var line *plotter.Line
		var err error
		for part := range c.parts {
			if line, err = plotter.NewLine(part); err != nil {
				return nil, err
			}
			line.Width, line.Color = vg.Points(1.5), ink
			if i%2 == 1 {
				line.Dashes = []vg.Length{vg.Points(5), vg.Points(3)}
			}
			one.Add(line)
		}
		if len(p.Curves) > 1 && line != nil {
			one.Legend.Add(c.Name, line)
		}
		if p.Clock != nil && line != nil { // where it ends
			end, err := plotter.NewScatter(line.XYs[len(line.XYs)-1:])
			if err != nil {
				return nil, err
			}
			end.GlyphStyle = draw.GlyphStyle{Color: ink, Radius: vg.Points(2.5), Shape: draw.CircleGlyph{}}
			one.Add(end)
		}
	}
	switch {
	case !p.Free:
		one.Y.Min = 0
	case one.Y.Min == one.Y.Max:
		one.Y.Min, one.Y.Max = one.Y.Min-1, one.Y.Max+1
	}
	one.Y.Max += 0.05 * (one.Y.Max - one.Y.Min)
	err := p.mark(one)
	if p.Clock != nil {
		one.X.Min, one.X.Max = p.From, p.To+max(endRoom*(p.To-p.From), 1)
	}
	return one, err
}

// parts are the stretches of a curve between what is no number.
func (c Curve) parts(yield func(plotter.XYs) bool) {
	from := 0
	for i := range len(c.Line) + 1 {
		if i < len(c.Line) && !math.IsNaN(c.Line[i].Y) {
			continue
		}
		if i > from && !yield(c.Line[from:i]) {
			return
		}
		from = i + 1
	}
}

// mark draws what happened, with its name at the foot.
func (p Panel) mark(one *plot.Plot) error {
	var names plotter.XYLabels
	for _, m := range p.Marks {
		for _, x := range []float64{m.X, max(m.X, m.To)} {
			line, err := plotter.NewLine(plotter.XYs{{X: x, Y: one.Y.Min}, {X: x, Y: one.Y.Max}})
			if err != nil {
				return err
			}
			line.Color, line.Dashes = markColor, []vg.Length{vg.Points(1), vg.Points(2)}
			if m.Color != nil {
				line.Color, line.Dashes = m.Color, []vg.Length{vg.Points(4), vg.Points(3)}
			}
			one.Add(line)
		}
		names.XYs = append(names.XYs, plotter.XY{X: m.X, Y: one.Y.Min})
		names.Labels = append(names.Labels, " "+m.Name)
	}
	if len(names.XYs) == 0 {
		return nil
	}
	labels, err := plotter.NewLabels(names)
	if err != nil {
		return err
	}
	for i := range labels.TextStyle {
		labels.TextStyle[i].Rotation, labels.TextStyle[i].Font.Size = 1.5708, vg.Points(7)
	}
	one.Add(labels)
	return nil
}

// plainTicks are labelled ones alone, at round numbers that a person reads off: 1, 2 or 5 of some power of ten apart.
type plainTicks struct{}

const mostTicks = 8.0 // of which each has room for its label

// Ticks implements plot.Ticker.
func (plainTicks) Ticks(low, high float64) []plot.Tick {
	if !(high > low) {
		return []plot.Tick{{Value: low, Label: strconv.FormatFloat(low, 'g', 6, 64)}}
	}
	power := math.Pow10(int(math.Floor(math.Log10((high - low) / mostTicks))))
	step := power
	for _, round := range []float64{2, 5, 10} {
		if (high-low)/step > mostTicks {
			step = round * power
		}
	}
	var ticks []plot.Tick
	for n := math.Ceil(low/step - 1e-9); n <= high/step+1e-9; n++ {
		v := n*step + 0 // no minus zero
		ticks = append(ticks, plot.Tick{Value: v, Label: strconv.FormatFloat(v, 'g', 6, 64)})
	}
	return ticks
}
