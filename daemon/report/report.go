// Package report shows figures. A Report is tables of figures, each with its doubt, its unit, its mark and its source, and it
// is drawn as text, as JSON, as a page and beside others from the same tables, so that no two of them can disagree.
package report

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate"
	"nightcell/integrate/matter"
)

// Report is what there is to say of one thing, in the order of reading.
type Report struct {
	Title  string // of the page
	Name   string // among those compared
	Tables []Table
	// Brief leaves out of the text what is Rest, and the sources; Further then tells where they are.
	Brief   bool
	Further []string
	Width   int // columns of the text; 0: 100
	// Compared are others of the same kind that stand beside it in JSON; Compare draws the figures of all as a Grid.
	Compared []*Report
}

// Table is figures under a title, a grid of them, or free lines.
type Table struct {
	// Key is its name in JSON, where the lines of all tables of one name are one list. Without one its figures stand in the report's
	// own object.
	Key   string
	Title string
	// List makes a list of objects in JSON, one of each figure with its rows; else a keyed table is one object.
	List    bool
	Figures []Figure
	Grid    *Grid
	// Lines are paragraphs, each behind Bullet, below the figures. They, notes and titles may Cite sources.
	Lines  []string
	Bullet string
	// Apart keeps lines without a title from the lines above.
	Apart   bool
	Rest    bool   // not for a brief text
	Picture []byte // SVG, drawn on a page alone
	// Aside leaves it out of the text, which is to fit a screen.
	Aside bool
}

// Figure is one number, or in its place a word.
type Figure struct {
	Key   string // in JSON, without the unit; "": for people alone
	Label string // for people; "": in JSON alone

	Value       float64 // SI
	Uncertainty float64 // standard, SI; NaN: there is nothing to tell, 0: nobody stated one
	Rough       float64 // standard, SI: what only the digits tell, where Uncertainty is NaN or 0
	Limits      *Limits // within which the truth lies
	Unit        Unit

	Word  any    // in place of the number in JSON: a string, a truth, a count or a list
	Text  string // in place of the number for people
	Short string // in place of the number in a comparison

	Mark   matter.Mark
	Source string
	Note   string
	Rows   []Figure // what it is made of
	Aside  bool     // for page and JSON, not for the text
}

// Limits are the ends of an interval, SI.
type Limits struct{ Low, High float64 }

// Of is a matter.Figure as a row. An uncertainty of 0, which nobody stated, is not told; where the doubt is not the same to
// both sides, its limits stand in its place.
func Of(key, label string, f matter.Figure, unit Unit, note string) Figure {
	row := Figure{Key: key, Label: label, Value: f.Value, Uncertainty: f.StandardUncertainty, Unit: unit, Mark: f.Mark, Source: f.Source, Note: note}
	if f.Skewed() {
		row.Limits = &Limits{f.Low, f.High}
	}
	if f.StandardUncertainty == 0 || f.Skewed() {
		row.Uncertainty = math.NaN()
	}
	return row
}

// Show writes a figure with its doubt and unit.
func Show(f matter.Figure, unit Unit) string { return Of("", "", f, unit, "").String() }

// Lasting writes a time in s with its doubt in the unit that people use.
func Lasting(f matter.Figure) string {
	if f.Skewed() {
		u := (f.High - f.Low) / 2
		return fmt.Sprintf("%s (%s to %s)", quantity.LastingAbout(f.Value, u), quantity.LastingAbout(f.Low, u), quantity.LastingAbout(f.High, u))
	}
	return quantity.Lasting(f.Value, integrate.CoverageFactor*f.StandardUncertainty)
}

// Add puts a figure at the end of the table.
func (t *Table) Add(f Figure) { t.Figures = append(t.Figures, f) }

// Known adds a matter.Figure that somebody stated or computed; nothing if nobody did.
func (t *Table) Known(key, label string, f matter.Figure, unit Unit, note string) {
	if f.Known() {
		t.Add(Of(key, label, f, unit, note))
	}
}

// Find returns the first of some figures, each named with its unit as in the report's own JSON object, that it has; nil if it has none.
func (r *Report) Find(names ...string) *Figure {
	for _, name := range names {
		for _, t := range r.Tables {
			if f := find(t.Figures, name); t.Key == "" && f != nil {
				return f
			}
		}
	}
	return nil
}

func find(all []Figure, name string) *Figure {
	for i := range all {
		if all[i].Key != "" && all[i].name("") == name {
			return &all[i]
		}
		if f := find(all[i].Rows, name); f != nil {
			return f
		}
	}
	return nil
}

// name is what the figure, or a part of it such as "_low", is called in JSON.
func (f *Figure) name(part string) string {
	if f.Word != nil || f.Unit.Word == "" {
		return f.Key + part
	}
	return f.Key + part + "_" + f.Unit.Word
}

// String writes the figure for people, with its doubt and its unit.
func (f Figure) String() string {
	switch {
	case f.Text != "":
		return f.Text
	case f.Word != nil:
		return word(f.Word)
	}
	return f.united(f.number())
}

// united adds the unit to a number, but not to the word for one that is unknown or never comes.
func (f Figure) united(number string) string {
	if math.IsNaN(f.Value) || math.IsInf(f.Value, 0) {
		return number
	}
	return strings.TrimSpace(number + " " + f.Unit.Symbol)
}

// number writes the figure with its doubt and without its unit.
func (f Figure) number() string {
	at := f.Unit.shown
	switch {
	case f.Uncertainty > 0:
		return quantity.WithDoubt(at(f.Value), integrate.CoverageFactor*f.Uncertainty*f.Unit.PerSI)
	case f.Limits != nil && f.Limits.High > f.Limits.Low:
		return quantity.Interval(at(f.Value), at(f.Limits.Low), at(f.Limits.High))
	}
	return quantity.Digits(at(f.Value), f.Rough*f.Unit.PerSI)
}

// About writes the number to the digits that its doubt leaves, with its unit.
func (f Figure) About() string { return f.united(f.alone()) }

// alone writes the number without its doubt and unit, to the digits that the doubt leaves.
func (f Figure) alone() string {
	u := f.Rough
	switch {
	case f.Uncertainty > 0:
		u = f.Uncertainty
	case f.Limits != nil:
		u = (f.Limits.High - f.Limits.Low) / 2
	}
	return quantity.Digits(f.Unit.shown(f.Value), u*f.Unit.PerSI)
}
