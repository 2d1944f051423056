package report

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html"
	"io"
	"math"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// sample has one figure of each kind.
func sample() *Report {
	charge := Of("charge", "charge", matter.Figure{Value: 162057, StandardUncertainty: 6696, Mark: matter.Given}, AmpereHours, "as counted")
	charge.Rows = []Figure{Of("gaps", "of it in gaps", matter.Figure{Value: 3600, Mark: matter.Measured}, AmpereHours, "")}
	volts := Figure{Key: "expected", Label: "expected", Value: 2.04, Uncertainty: math.NaN(), Limits: &Limits{1.61, 2.47}, Unit: Volts, Mark: matter.Assumed, Source: "from <memory>"}
	return &Report{Title: "A <run>", Name: "this", Tables: []Table{
		{Figures: []Figure{{Key: "metal", Word: "Zn"}, {Key: "visible", Word: true, Mark: matter.Published}}},
		{Key: "answer", Lines: []string{"It is done."}},
		{Title: "Figures", Figures: []Figure{charge, volts, {Key: "bath", Label: "bath", Value: 298.15, Uncertainty: 5, Unit: Celsius, Mark: matter.Assumed},
			{Key: "lost", Label: "lost", Value: math.Inf(1), Uncertainty: math.NaN(), Unit: Seconds, Mark: matter.Assumed}}},
		{Key: "budget", List: true, Title: "Budget", Figures: []Figure{{Key: "standard_uncertainty", Label: "gain", Value: 360, Uncertainty: math.NaN(), Rough: 360, Unit: AmpereHours, Mark: matter.Given, Note: "40 %",
			Rows: []Figure{{Key: "source", Word: "gain"}}}}},
		{Key: "course", Title: "Course", Grid: &Grid{Head: []string{"at", "g"}, Rows: []GridRow{
			{Cells: []Figure{{Key: "at", Value: 3600, Uncertainty: math.NaN(), Unit: Hours}, {Key: "deposit", Value: 0.0125, Uncertainty: math.NaN(), Unit: Grams}}, More: []Figure{{Key: "word", Word: "compact"}}},
			{Cells: []Figure{{Text: "end"}, {Word: ""}}}}}},
		{Key: "bigger", Title: "Bigger", Figures: []Figure{{Key: "cells", Label: "cells", Word: 2, Mark: matter.Given}}},
		{Key: "cautions", Title: "Cautions", Bullet: "  - ", Lines: []string{"Look & measure."}},
		{Title: "Picture", Picture: []byte("<svg/>")},
	}}
}

func TestText(t *testing.T) {
	var b bytes.Buffer
	if err := sample().Text(&b); err != nil {
		t.Fatal(err)
	}
	const want = `It is done.

Figures
  charge           45.0 ± 3.7 A·h    g  as counted
    of it in gaps  1.00 A·h          m
  expected         2.0 (1.6 to 2.5) V  a
  bath             25 ± 10 °C        a
  lost             never             a

Budget
  gain  0.10 A·h  g  40 %

Course
  at       g
  1.00  12.5
  end

Bigger
  cells  2  g

Cautions
  - Look & measure.
`
	squeeze := func(s string) string { // the widths are those of the widest, which is not what is checked here
		var lines []string
		for _, line := range strings.Split(s, "\n") {
			lines = append(lines, strings.Join(strings.Fields(line), " "))
		}
		return strings.Join(lines, "\n")
	}
	if squeeze(b.String()) != squeeze(want) {
		t.Errorf("%s", b.String())
	}
	column := -1 // the marks of a table stand one below the other
	for line := range strings.SplitSeq(b.String(), "\n") {
		for _, label := range []string{"  expected", "  bath", "  lost"} {
			if strings.HasPrefix(line, label) {
				n := utf8.RuneCountInString(line)
				if column >= 0 && n != column {
					t.Errorf("the mark of %q stands at %d, not at %d", line, n, column)
				}
				column = n
			}
		}
	}
}

func TestJSON(t *testing.T) {
	text, err := json.Marshal(sample().JSON())
	if err != nil {
		t.Fatal(err)
	}
	const want = `{"answer":["It is done."],"bath_kelvins":298.15,"bath_standard_uncertainty_kelvins":5,"bigger":{"cells":2},` +
		`"budget":[{"mark":"given","source":"gain","standard_uncertainty_coulombs":360}],"cautions":["Look \u0026 measure."],"charge_coulombs":162057,` +
		`"charge_standard_uncertainty_coulombs":6696,"course":[{"at_seconds":3600,"deposit_grams":12.5,"word":"compact"}],` +
		`"expected_high_volts":2.47,"expected_low_volts":1.61,"expected_volts":2.04,"gaps_coulombs":3600,"lost_seconds":null,` +
		`"marks":{"bath_kelvins":"assumed","charge_coulombs":"given","expected_high_volts":"assumed","expected_low_volts":"assumed","expected_volts":"assumed","gaps_coulombs":"measured","lost_seconds":"assumed","visible":"published"},` +
		`"metal":"Zn","sources":{"expected_high_volts":"from \u003cmemory\u003e","expected_low_volts":"from \u003cmemory\u003e","expected_volts":"from \u003cmemory\u003e"},"visible":true}`
	if string(text) != want {
		t.Errorf("got  %s\nwant %s", text, want)
	}
}

// TestHTML: the page says what the text says, escaped, with the mark in words and the picture inside it.
func TestHTML(t *testing.T) {
	var b bytes.Buffer
	if err := sample().HTML(&b); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, part := range []string{"<h1>A &lt;run&gt;</h1>", "45.0 ± 3.7 A·h", "2.0 (1.6 to 2.5) V", `<abbr title="assumed">a</abbr>`, `<abbr title="assumed: from &lt;memory&gt;">a</abbr>`, "  of it in gaps", "Look &amp; measure.",
		`<img src="data:image/svg&#43;xml;base64,PHN2Zy8&#43;"`, `<td class="number">12.5</td>`} {
		if !strings.Contains(page, part) {
			t.Errorf("%s is missing", part)
		}
	}
	if strings.Contains(page, "<run>") || strings.Contains(page, "<svg") || strings.Contains(page, "Zn") {
		t.Error("something stands on the page that should not")
	}
}

// TestCompare: the weakest mark of a row, the figures that only one has, and the ones that none has.
func TestCompare(t *testing.T) {
	other := sample()
	other.Name = "other"
	other.Tables[2].Figures[0].Value, other.Tables[2].Figures[0].Mark = 244800, matter.Assumed
	other.Tables[2].Figures[1] = Figure{Key: "stated", Label: "stated", Value: 3.3, Uncertainty: 0.06, Unit: Volts, Mark: matter.Given, Short: "3.30 stated"}
	table := Compare("Beside", []*Report{sample(), other}, []Beside{
		{Label: "charge", Names: []string{"charge_coulombs"}, Shared: true}, {Label: "charge", Names: []string{"charge_coulombs"}},
		{Label: "cell", Names: []string{"stated_volts", "expected_volts"}}, {Names: []string{"expected_volts"}}, {Label: "none", Names: []string{"none"}},
		{Label: "in gaps", Names: []string{"gaps_coulombs"}}})
	var got []string
	for _, row := range table.Grid.Rows {
		got = append(got, strings.Join(row.texts(), "|"))
	}
	want := []string{"charge, A·h|45.0|68.0|a", "charge, A·h|45.0|68.0|a", "cell, V|2.0|3.30 stated|a", "V|2.0|-|a", "in gaps, A·h|1.00|1.00|m"}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

// TestOneTable: whatever the figures are, text and page show each in the same words, and JSON holds its value and doubt.
func TestOneTable(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		units := []Unit{AmpereHours, Volts, Percent, Grams, LitresPerHour, KilowattHours}
		var table Table
		for i := range rapid.IntRange(1, 8).Draw(t, "figures") {
			f := Of(fmt.Sprintf("f%d", i), fmt.Sprintf("figure %d", i), matter.Figure{
				Value: rapid.Float64Range(-1e6, 1e6).Draw(t, "value"), StandardUncertainty: rapid.SampledFrom([]float64{0, 0.01, 3, 1e4}).Draw(t, "u"), Mark: matter.Given,
			}, rapid.SampledFrom(units).Draw(t, "unit"), "")
			if rapid.Bool().Draw(t, "band") {
				f.Uncertainty, f.Limits = math.NaN(), &Limits{f.Value - 1, f.Value + 2}
			}
			table.Add(f)
		}
		r := &Report{Tables: []Table{table}}
		var text, page bytes.Buffer
		if err := r.Text(&text); err != nil {
			t.Fatal(err)
		}
		if err := r.HTML(&page); err != nil {
			t.Fatal(err)
		}
		object := r.JSON()
		for _, f := range table.Figures {
			if !strings.Contains(text.String(), f.String()) || !strings.Contains(html.UnescapeString(page.String()), f.String()) {
				t.Fatalf("%q is not shown by both", f.String())
			}
			name := f.Key + "_" + f.Unit.Word
			if got := object[name]; got != quantity.Maybe(f.Value*f.Unit.WordPerSI) {
				t.Fatalf("%s is %v", name, got)
			}
			if _, told := object[f.Key+"_standard_uncertainty_"+f.Unit.Word]; told != (f.Uncertainty > 0) {
				t.Fatalf("%s: doubt told: %v", name, told)
			}
		}
	})
}

// TestWrapped: no word is lost, and no line is longer than asked for unless it is one word.
func TestWrapped(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.StringOf(rapid.RuneFrom([]rune("abc ±Ω "))).Draw(t, "text")
		width := rapid.IntRange(1, 40).Draw(t, "width")
		lines := wrapped(text, width)
		if strings.Join(strings.Fields(strings.Join(lines, " ")), " ") != strings.Join(strings.Fields(text), " ") {
			t.Fatalf("%q became %q", text, lines)
		}
		for _, line := range lines {
			if utf8.RuneCountInString(line) > width && strings.Contains(line, " ") {
				t.Fatalf("%q is longer than %d", line, width)
			}
		}
	})
}

// TestSkewedFigure: a doubt that is not the same to both sides is a range, for people and in JSON; never ±.
func TestSkewedFigure(t *testing.T) {
	f := matter.Figure{Value: 0.61, StandardUncertainty: 0.15, Low: 0.4, High: 0.92, Mark: matter.Assumed}
	if got := Show(f, Percent); got != "61 (40 to 92) %" {
		t.Errorf("%q", got)
	}
	object := (&Report{Tables: []Table{{Figures: []Figure{Of("efficiency", "", f, Percent, "")}}}}).JSON()
	if _, has := object["efficiency_standard_uncertainty_ratio"]; has || fmt.Sprint(object["efficiency_low_ratio"], object["efficiency_high_ratio"]) != "0.4 0.92" {
		t.Errorf("%v", object)
	}
}

// TestCitesSources: each source has one number in text and page and is listed once; the brief text has neither number nor list, and JSON
// has the source in its place.
func TestCitesSources(t *testing.T) {
	r := &Report{Further: []string{"More: elsewhere."}, Tables: []Table{
		{Key: "notes", Lines: []string{"It is so. " + Cite("A book"), "So is that. " + Cite("Another")}},
		{Key: "notes", Rest: true, Lines: []string{"And this. " + Cite("A book")}},
		{Title: "Usual " + Cite("Another"), Figures: []Figure{{Key: "volts", Label: "cell", Value: 3, Unit: Volts, Note: "usual " + Cite("Another")}, {Key: "aside", Label: "other", Value: 4, Unit: Volts, Aside: true}}}}}
	draw := func(to func(io.Writer) error) string {
		var b bytes.Buffer
		if err := to(&b); err != nil {
			t.Fatal(err)
		}
		return b.String()
	}
	if got := draw(r.Text); got != "It is so. [1]\nSo is that. [2]\nAnd this. [1]\n\nUsual [2]\n  cell  3.00 V     usual [2]\n\nSources\n  [1] A book\n  [2] Another\n" {
		t.Errorf("%q", got)
	}
	page := draw(r.HTML)
	for _, part := range []string{"It is so. [1]", "And this. [1]", "usual [2]", "<h2>Usual [2]</h2>", "other", "<p>[1] A book</p>\n<p>[2] Another</p>"} {
		if !strings.Contains(page, part) {
			t.Errorf("the page lacks %q", part)
		}
	}
	if got := fmt.Sprint(r.JSON()["notes"]); got != "[It is so. (A book) So is that. (Another) And this. (A book)]" {
		t.Errorf("%s", got)
	}
	r.Brief = true
	if got := draw(r.Text); got != "It is so.\nSo is that.\n\nUsual\n  cell  3.00 V     usual\n\nMore: elsewhere.\n" {
		t.Errorf("%q", got)
	}
}

// TestTextIsAsWideAsAsked: no line is wider, whatever stands in the note, and no word of it is lost; a note without room beside its figure
// stands below it.
func TestTextIsAsWideAsAsked(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		note := strings.Join(rapid.SliceOfN(rapid.SampledFrom([]string{"of", "the", "hydrogen", "overpotential"}), 1, 40).Draw(t, "note"), " ")
		width := rapid.IntRange(50, 120).Draw(t, "width")
		r := &Report{Width: width, Tables: []Table{{Lines: []string{note}, Bullet: "  - ", Figures: []Figure{{Label: strings.Repeat("x", rapid.IntRange(1, 30).Draw(t, "label")), Value: 3, Unit: Volts, Note: note}}}}}
		var b bytes.Buffer
		if err := r.Text(&b); err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(b.String(), "\n") {
			if utf8.RuneCountInString(line) > width {
				t.Fatalf("%q is wider than %d", line, width)
			}
		}
		if got := strings.Join(strings.Fields(b.String()), " "); strings.Count(got, note) != 2 {
			t.Fatalf("%q lost words of %q", got, note)
		}
	})
}

// TestTicks: three to nine labels, evenly spaced at round numbers, all of them within the axis.
func TestTicks(t *testing.T) {
	if got := fmt.Sprint(plainTicks{}.Ticks(0, 34)); got != "[{0 0} {5 5} {10 10} {15 15} {20 20} {25 25} {30 30}]" {
		t.Errorf("%s", got)
	}
	rapid.Check(t, func(t *rapid.T) {
		low := rapid.Float64Range(-1e3, 1e3).Draw(t, "low")
		high := low + math.Pow(10, rapid.Float64Range(-3, 6).Draw(t, "decades"))
		ticks := plainTicks{}.Ticks(low, high)
		if len(ticks) < 3 || len(ticks) > 9 {
			t.Fatalf("%d ticks from %g to %g", len(ticks), low, high)
		}
		step := ticks[1].Value - ticks[0].Value
		for i, tick := range ticks {
			slack := 1e-6 * (high - low)
			if tick.Label == "" || tick.Label == "-0" || tick.Value < low-slack || tick.Value > high+slack || i > 0 && math.Abs(tick.Value-ticks[i-1].Value-step) > slack {
				t.Fatalf("%v from %g to %g", ticks, low, high)
			}
		}
	})
}
