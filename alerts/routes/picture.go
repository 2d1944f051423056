package routes

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"math"
	"slices"
	"strconv"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// The picture is drawn as wide as a telephone shows it and twice as finely, so that its letters
// are as large as those of the text beside it. A letter shows it 360 points of the style sheet wide.
const (
	pictureWide = 270 // in typographic points, 72 to the inch; the style sheet has 96
	pictureHigh = 300
	pictureDPI  = 2 * 96
)

// endRoom is the share of the time axis that stays free behind the last reading, so that it can be seen to end.
const endRoom = 0.05

// mostBars bounds the points that are drawn; a longer series is drawn by its extremes, so that no spike is lost.
const mostBars = 1000

// Series are the readings of the last hours, oldest first; the three slices are
// of equal length. What is not a number is left out.
type Series struct {
	Title   string
	At      []time.Time
	Volts   []float64
	Amperes []float64
	// Mark is when the condition began; zero: no mark.
	Mark time.Time
	// Location is where the times are shown; nil: UTC.
	Location *time.Location
}

// Draw returns the series as a PNG of volts above amperes over time, 720 by 800 pixels.
func Draw(s Series) ([]byte, error) {
	if len(s.At) != len(s.Volts) || len(s.At) != len(s.Amperes) {
		return nil, fmt.Errorf("draw: %d times, %d volts and %d amperes are not of equal number", len(s.At), len(s.Volts), len(s.Amperes))
	}
	upper, err := s.panel(oneLine(s.Title), "volts", s.Volts, color.RGBA{R: 0x1f, G: 0x5f, B: 0xa8, A: 0xff})
	if err != nil {
		return nil, err
	}
	lower, err := s.panel("", "amperes", s.Amperes, color.RGBA{R: 0xb0, G: 0x50, B: 0x10, A: 0xff})
	if err != nil {
		return nil, err
	}
	lower.X.Label.Text = "time of day, " + s.At[len(s.At)-1].In(s.location()).Format("MST")
	image := vgimg.NewWith(vgimg.UseWH(pictureWide, pictureHigh), vgimg.UseDPI(pictureDPI))
	tiles := draw.Tiles{Rows: 2, Cols: 1, PadTop: 4, PadBottom: 4, PadLeft: 4, PadRight: 4, PadY: 6}
	canvases := plot.Align([][]*plot.Plot{{upper}, {lower}}, tiles, draw.New(image))
	upper.Draw(canvases[0][0])
	lower.Draw(canvases[1][0])
	var out bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: image}).WriteTo(&out); err != nil {
		return nil, fmt.Errorf("draw: %w", err)
	}
	return out.Bytes(), nil
}

func (s Series) location() *time.Location {
	if s.Location == nil {
		return time.UTC
	}
	return s.Location
}

// panel is one quantity over time.
func (s Series) panel(title, unit string, values []float64, ink color.Color) (*plot.Plot, error) {
	stretches := s.stretches(values)
	if len(stretches) == 0 {
		return nil, errors.New("draw: there is no reading to draw")
	}
	p := plot.New()
	p.Title.Text = title
	p.Y.Label.Text = unit
	p.X.Tick.Marker = clockTicks{s.location()}
	p.Y.Tick.Marker = plainTicks{}
	p.Add(plotter.NewGrid())
	for _, stretch := range stretches {
		line, err := plotter.NewLine(stretch)
		if err != nil {
			return nil, fmt.Errorf("draw: %w", err)
		}
		line.Color, line.Width = ink, vg.Points(1.2)
		p.Add(line)
	}
	last := stretches[len(stretches)-1]
	end, err := plotter.NewScatter(last[len(last)-1:])
	if err != nil {
		return nil, fmt.Errorf("draw: %w", err)
	}
	end.GlyphStyle = draw.GlyphStyle{Color: ink, Radius: vg.Points(2.5), Shape: draw.CircleGlyph{}}
	p.Add(end)
	if p.Y.Min == p.Y.Max {
		p.Y.Min, p.Y.Max = p.Y.Min-1, p.Y.Max+1
	}
	if !s.Mark.IsZero() {
		x := seconds(s.Mark)
		mark, err := plotter.NewLine(plotter.XYs{{X: x, Y: p.Y.Min}, {X: x, Y: p.Y.Max}})
		if err != nil {
			return nil, fmt.Errorf("draw: %w", err)
		}
		mark.Color, mark.Dashes = color.RGBA{R: 0xc0, A: 0xff}, []vg.Length{vg.Points(4), vg.Points(3)}
		p.Add(mark)
	}
	first, newest := seconds(s.At[0]), seconds(s.At[len(s.At)-1])
	p.X.Min, p.X.Max = first, newest+max(endRoom*(newest-first), 1) // whenever the mark is
	return p, nil
}

// leastGap is the shortest time without a reading over which no line is drawn.
const leastGap = 10.0 // s

// stretches are the numbers among the values, parted where readings are missing: a line
// over a gap would show what nobody saw. A long series keeps the least and the greatest of each bar.
func (s Series) stretches(values []float64) []plotter.XYs {
	var all plotter.XYs
	for i, v := range values {
		if !math.IsNaN(v) && !math.IsInf(v, 0) {
			all = append(all, plotter.XY{X: seconds(s.At[i]), Y: v})
		}
	}
	if len(all) == 0 {
		return nil
	}
	steps := make([]float64, 0, len(all))
	for i := range all[1:] {
		steps = append(steps, all[i+1].X-all[i].X)
	}
	slices.Sort(steps)
	gap := leastGap
	if len(steps) > 0 {
		gap = max(gap, 5*steps[len(steps)/2])
	}
	var parts []plotter.XYs
	from := 0
	for i := range all {
		if last := i+1 == len(all); last || all[i+1].X-all[i].X > gap {
			part := all[from : i+1]
			parts = append(parts, thin(part, 1+mostBars*len(part)/len(all)))
			from = i + 1
		}
	}
	return parts
}

// thin keeps, of a series longer than two points for each bar, the least and the greatest of each bar, in their order.
func thin(all plotter.XYs, bars int) plotter.XYs {
	if len(all) <= 2*bars {
		return all
	}
	drawn := make(plotter.XYs, 0, 2*bars)
	for bar := range bars {
		stretch := all[bar*len(all)/bars : (bar+1)*len(all)/bars]
		least, greatest := 0, 0
		for i := range stretch {
			if stretch[i].Y < stretch[least].Y {
				least = i
			}
			if stretch[i].Y > stretch[greatest].Y {
				greatest = i
			}
		}
		drawn = append(drawn, stretch[min(least, greatest)])
		if least != greatest {
			drawn = append(drawn, stretch[max(least, greatest)])
		}
	}
	return drawn
}

// plainTicks labels an axis so that no two labels are alike: the library's own round to too few digits.
type plainTicks struct{}

// Ticks implements plot.Ticker.
func (plainTicks) Ticks(least, most float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(least, most)
	step, before := math.Inf(1), math.NaN()
	for _, t := range ticks {
		if t.IsMinor() {
			continue
		}
		if d := t.Value - before; d > 0 {
			step = math.Min(step, d)
		}
		before = t.Value
	}
	digits := 3
	if !math.IsInf(step, 1) {
		for digits = 0; digits < 9; digits++ {
			if scaled := step * math.Pow10(digits); math.Abs(scaled-math.Round(scaled)) < 1e-6*scaled {
				break
			}
		}
	}
	for i := range ticks {
		if !ticks[i].IsMinor() {
			ticks[i].Label = strconv.FormatFloat(ticks[i].Value, 'f', digits, 64)
		}
	}
	return ticks
}

func seconds(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }

// clockTicks puts the ticks of an axis in seconds where a clock's face has them.
type clockTicks struct{ location *time.Location }

// Ticks implements plot.Ticker.
func (c clockTicks) Ticks(first, last float64) []plot.Tick {
	steps := []time.Duration{
		time.Second, 5 * time.Second, 15 * time.Second, 30 * time.Second, time.Minute, 5 * time.Minute, 15 * time.Minute,
		time.Hour, 3 * time.Hour, 6 * time.Hour, 12 * time.Hour, 24 * time.Hour,
	}
	const most, mostLong = 7, 3 // labels that find room side by side: hours and minutes; more than those
	step := steps[0]
	for _, step = range steps {
		n := (last - first) / step.Seconds()
		if n <= mostLong || n <= most && step >= time.Minute {
			break
		}
	}
	format := "15:04"
	switch {
	case (last-first)/step.Seconds() > most:
		step, format = time.Duration((last-first)/mostLong)*time.Second, "01-02 15:04"
	case step < time.Minute:
		format = "15:04:05"
	}
	_, offset := time.Unix(int64(first), 0).In(c.location).Zone()
	size := step.Seconds()
	var ticks []plot.Tick
	for k := math.Ceil((first + float64(offset)) / size); ; k++ {
		t := k*size - float64(offset)
		if t > last {
			return ticks
		}
		ticks = append(ticks, plot.Tick{Value: t, Label: time.Unix(int64(t), 0).In(c.location).Format(format)})
	}
}
