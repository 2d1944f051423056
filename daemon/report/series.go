package report

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"math"
	"slices"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
)

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

// Draw returns the series as a PNG of volts above amperes over time, 720 by 800 pixels. It is drawn as wide as a telephone
// shows it and twice as finely, so that its letters are as large as those of the text beside it: 270 typographic points, 72
// to the inch, and the style sheet has 96. A letter shows it 360 points of the style sheet wide.
func (s Series) Draw() ([]byte, error) {
	if len(s.At) != len(s.Volts) || len(s.At) != len(s.Amperes) {
		return nil, fmt.Errorf("draw: %d times, %d volts and %d amperes are not of equal number", len(s.At), len(s.Volts), len(s.Amperes))
	}
	if s.Location == nil {
		s.Location = time.UTC
	}
	var panels []Panel
	for i, values := range [][]float64{s.Volts, s.Amperes} {
		line := s.line(values)
		if len(line) == 0 {
			return nil, errors.New("draw: there is no reading to draw")
		}
		p := Panel{Title: []string{"volts", "amperes"}[i], Ink: i, Free: true, Clock: s.Location, From: seconds(s.At[0]), To: seconds(s.At[len(s.At)-1]), Curves: []Curve{{Line: line}}}
		if !s.Mark.IsZero() {
			p.Marks = []Mark{{X: seconds(s.Mark), Color: color.RGBA{R: 0xc0, A: 0xff}}}
		}
		panels = append(panels, p)
	}
	var out bytes.Buffer
	sheet := Sheet{Title: s.Title, Axis: "time of day, " + s.At[len(s.At)-1].In(s.Location).Format("MST"), Width: 270, Height: 300, DPI: 2 * 96}
	if err := sheet.Draw(&out, panels); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// leastGap is the shortest time without a reading over which no line is drawn.
const leastGap = 10.0 // s

// line are the numbers among the values, parted by no number where readings are missing: a line
// over a gap would show what nobody saw. A long series keeps the least and the greatest of each bar.
func (s Series) line(values []float64) (parts plotter.XYs) {
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
	from := 0
	for i := range all {
		if last := i+1 == len(all); last || all[i+1].X-all[i].X > gap {
			part := all[from : i+1]
			parts = append(parts, thin(part, 1+mostBars*len(part)/len(all))...)
			if from = i + 1; !last {
				parts = append(parts, plotter.XY{X: all[i].X, Y: math.NaN()})
			}
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
