package report

import (
	"bytes"
	"image"
	"image/draw"
	"image/png"
	"math"
	"slices"
	"strconv"
	"testing"
	"time"
)

// evening is a made-up charge: three volts at three amperes, one spike.
func evening(readings int) Series {
	at := time.Date(2026, 3, 1, 20, 0, 0, 0, time.UTC)
	s := Series{Title: "zinc-1", Mark: at.Add(time.Hour)}
	for i := range readings {
		s.At = append(s.At, at.Add(time.Duration(i)*time.Second))
		s.Volts = append(s.Volts, 3+0.1*math.Sin(float64(i)/500))
		s.Amperes = append(s.Amperes, 3)
	}
	return s
}

func TestPictureShowsBothCurvesAndTheMark(t *testing.T) {
	s := evening(4 * 3600)
	s.Volts[10], s.Amperes[20] = math.NaN(), math.Inf(1)
	data, err := s.Draw()
	if err != nil {
		t.Fatal(err)
	}
	picture, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if b := picture.Bounds(); b.Dx() < 600 || b.Dy() < 400 || b.Dx() > 1000 {
		t.Errorf("size %v", b)
	}
	for name, ink := range map[string][3]int{"volts": {0x1f, 0x5f, 0xa8}, "amperes": {0xb0, 0x50, 0x10}, "mark": {0xc0, 0, 0}} {
		if n := covered(picture, ink); n < 50 {
			t.Errorf("the ink of %s covers %d points", name, n)
		}
	}
}

// covered counts the points whose colour is near ink; thin lines are blended with what is under them.
func covered(picture image.Image, ink [3]int) (n int) {
	plain := image.NewRGBA(picture.Bounds())
	draw.Draw(plain, plain.Bounds(), picture, image.Point{}, draw.Src)
	for p := plain.Pix; len(p) >= 4; p = p[4:] {
		near := true
		for i := range ink {
			near = near && max(ink[i]-int(p[i]), int(p[i])-ink[i]) < 60
		}
		if near {
			n++
		}
	}
	return n
}

func TestPictureKeepsASpikeOfALongSeries(t *testing.T) {
	s := evening(200_000)
	s.Volts[123_456] = 31
	stretches := slices.Collect(Curve{Line: s.line(s.Volts)}.parts)
	if len(stretches) != 1 {
		t.Fatalf("%d stretches of a series without a gap", len(stretches))
	}
	points := stretches[0]
	if len(points) > 2*mostBars+2 {
		t.Errorf("%d points are drawn", len(points))
	}
	highest := 0.0
	for i, p := range points {
		highest = max(highest, p.Y)
		if i > 0 && p.X <= points[i-1].X {
			t.Fatalf("point %d goes back in time", i)
		}
	}
	if highest != 31 {
		t.Errorf("the spike of 31 V is drawn as %v", highest)
	}
}

// TestPictureDrawsNoLineOverAGap: nobody saw what was between.
func TestPictureDrawsNoLineOverAGap(t *testing.T) {
	s := evening(200_000)
	for i := range s.At {
		if i >= 100_000 {
			s.At[i] = s.At[i].Add(time.Minute)
		}
	}
	s.Volts[50_000] = math.NaN() // one missing number is no gap
	stretches := slices.Collect(Curve{Line: s.line(s.Volts)}.parts)
	if len(stretches) != 2 {
		t.Fatalf("%d stretches, want 2", len(stretches))
	}
	if n := len(stretches[0]) + len(stretches[1]); n > 2*mostBars+4 {
		t.Errorf("%d points are drawn", n)
	}
	slow := evening(100)
	for i := range slow.At {
		slow.At[i] = slow.At[0].Add(time.Duration(i) * time.Minute)
	}
	if n := len(slices.Collect(Curve{Line: slow.line(slow.Volts)}.parts)); n != 1 {
		t.Errorf("a poll every minute is drawn in %d stretches", n)
	}
}

// TestTicksOfAnAxisDiffer: 3.75, 3.80 and 3.85 V may not all read 3.8.
func TestTicksOfAnAxisDiffer(t *testing.T) {
	for _, span := range [][2]float64{{3.74, 3.93}, {2.996, 3.023}, {0, 6}, {2, 4}, {3.0001, 3.0002}, {-0.4, 0.1}, {29, 31}, {0, 120}} {
		labels := map[string]bool{}
		for _, tick := range (plainTicks{}).Ticks(span[0], span[1]) {
			if labels[tick.Label] {
				t.Errorf("from %v to %v the label %s comes twice", span[0], span[1], tick.Label)
			}
			labels[tick.Label] = true
			if v, err := strconv.ParseFloat(tick.Label, 64); err != nil || math.Abs(v-tick.Value) > 1e-3*(span[1]-span[0]) {
				t.Errorf("%v is labelled %s", tick.Value, tick.Label)
			}
		}
		if len(labels) < 2 {
			t.Errorf("from %v to %v there are %d labels", span[0], span[1], len(labels))
		}
	}
}

func TestPictureRefusesWhatCannotBeDrawn(t *testing.T) {
	for name, s := range map[string]Series{
		"nothing":  {},
		"uneven":   {At: make([]time.Time, 2), Volts: make([]float64, 1), Amperes: make([]float64, 2)},
		"no value": {At: make([]time.Time, 1), Volts: []float64{math.NaN()}, Amperes: []float64{1}},
	} {
		if _, err := s.Draw(); err == nil {
			t.Errorf("%s: drawn", name)
		}
	}
	if _, err := evening(1).Draw(); err != nil { // one reading is little, but no mistake
		t.Error(err)
	}
}

func TestTicksStandOnTheFullHour(t *testing.T) {
	zone := time.FixedZone("half", 5*3600+1800)
	first := time.Date(2026, 3, 1, 20, 10, 0, 0, zone)
	ticks := clockTicks{zone}.Ticks(seconds(first), seconds(first.Add(6*time.Hour)))
	if len(ticks) != 6 || ticks[0].Label != "21:00" || ticks[5].Label != "02:00" {
		t.Errorf("ticks %v", ticks)
	}
	for _, span := range []time.Duration{time.Second, time.Minute, time.Hour, 30 * time.Hour, 300 * time.Hour} {
		if n := len(clockTicks{zone}.Ticks(seconds(first), seconds(first.Add(span)))); n > 9 {
			t.Errorf("%v has %d ticks", span, n)
		}
	}
}

// telephone is the width of a common telephone in points of the style sheet, less the letter's margins.
const telephone = 390 - 2*12

// TestPictureIsLegibleOnATelephone: shown as wide as the screen its figures are no smaller than those of small print.
func TestPictureIsLegibleOnATelephone(t *testing.T) {
	picture := drawn(t, evening(6*3600))
	heights := inkHeights(picture)
	if len(heights) < 30 {
		t.Fatalf("%d letters and digits found", len(heights))
	}
	slices.Sort(heights)
	shown := float64(heights[len(heights)/2]) * telephone / float64(picture.Bounds().Dx())
	if shown < 7.5 { // a digit is about two thirds of its type size, so this is 11 points of type
		t.Errorf("letters are %.1f points high at 390", shown)
	}
}

// TestPictureEndsBeforeItsFrame: the curve is seen to end, and where.
func TestPictureEndsBeforeItsFrame(t *testing.T) {
	for _, readings := range []int{300, 6 * 3600} {
		picture := drawn(t, evening(readings))
		frame, end := 0, 0
		b := picture.Bounds()
		for y := b.Min.Y; y < b.Dy()*2/5; y++ { // the curve of the volts, above the times
			for x := b.Min.X; x < b.Max.X; x++ {
				r, _, blue, _ := picture.At(x, y).RGBA()
				if r>>8 < 0xf0 {
					frame = max(frame, x)
				}
				if r>>8 < 0x60 && blue>>8 > 0x90 {
					end = max(end, x)
				}
			}
		}
		if end == 0 || frame-end < b.Dx()/60 {
			t.Errorf("of %d readings the curve ends at %d, the frame at %d of %d", readings, end, frame, b.Dx())
		}
	}
}

func drawn(t *testing.T, s Series) image.Image {
	t.Helper()
	data, err := s.Draw()
	if err != nil {
		t.Fatal(err)
	}
	picture, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	return picture
}

// inkHeights are the heights of the connected black spots that may be letters or digits: neither lines nor dots.
func inkHeights(picture image.Image) (heights []int) {
	b := picture.Bounds()
	seen := map[image.Point]bool{}
	black := func(p image.Point) bool {
		r, g, blue, _ := picture.At(p.X, p.Y).RGBA()
		return p.In(b) && max(r, g, blue)>>8 < 0x70
	}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			spot := image.Rectangle{}
			for left := []image.Point{{X: x, Y: y}}; len(left) > 0; {
				p := left[len(left)-1]
				left = left[:len(left)-1]
				if seen[p] || !black(p) {
					continue
				}
				seen[p] = true
				spot = spot.Union(image.Rect(p.X, p.Y, p.X+1, p.Y+1))
				for _, d := range []image.Point{{X: 1}, {X: -1}, {Y: 1}, {Y: -1}} {
					left = append(left, p.Add(d))
				}
			}
			if spot.Dy() >= 4 && spot.Dy() < 40 && spot.Dx() >= 3 && spot.Dx() < 40 {
				heights = append(heights, spot.Dy())
			}
		}
	}
	return heights
}
