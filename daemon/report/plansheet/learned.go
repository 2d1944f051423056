package plansheet

import (
	"fmt"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/report"
	"nightcell/integrate/learn"
	"nightcell/integrate/matter"
)

// Learned lays out what earlier runs of a cell taught.
func Learned(l books.Lesson) report.Table {
	t := report.Table{Key: "learned", Title: "From earlier runs of the cell", Bullet: "  - ", Lines: lessons(l)}
	for _, x := range []struct {
		key, label string
		learn.Next
		unit report.Unit
	}{
		{"efficiency", "current efficiency", l.Efficiency, report.Percent}, {"mass_transfer", "mass transfer", l.MassTransfer, report.MetresPerSecond},
		{"voltage", "cell voltage", l.Volts, report.Volts}, {"resistance", "resistance", l.Resistance, report.Ohms},
	} {
		if !x.Figure.Known() {
			continue
		}
		f := report.Of(x.key, x.label, x.Figure, x.unit, "from "+quantity.Count(x.Runs, "run"))
		f.Rows = []report.Figure{{Key: x.key + "_runs", Word: x.Runs}}
		if x.Prior.Known() {
			f.Note += "; before them " + report.Show(x.Prior, x.unit)
			f.Rows = append(f.Rows, report.Of(x.key+"_before", "", x.Prior, x.unit, ""))
		}
		t.Add(f)
	}
	return t
}

// LessonLines are the same for a list of notes.
func LessonLines(l books.Lesson) []string {
	var lines []string
	for _, f := range Learned(l).Figures {
		lines = append(lines, fmt.Sprintf("learned: %s %s, %s", f.Label, f, f.Note))
	}
	return append(lines, lessons(l)...)
}

// lessons says in sentences what the figures do not.
func lessons(l books.Lesson) []string {
	var lines []string
	switch {
	case l.Runs == 0:
		lines = append(lines, "no run of the cell has ended yet, so nothing is learned")
	case l.Efficiency.Runs == 0:
		lines = append(lines, fmt.Sprintf("none of %s was weighed or assayed, so no efficiency is learned: enter what the deposit weighs", quantity.Count(l.Runs, "run")))
	case l.Efficiency.Runs < l.Runs:
		lines = append(lines, fmt.Sprintf("%d of %s were weighed or assayed; the others teach volts alone", l.Efficiency.Runs, quantity.Count(l.Runs, "run")))
	}
	lines = append(lines, l.Notes...)
	for _, c := range l.Changes {
		lines = append(lines, change(c))
	}
	if len(l.Changes) > 0 {
		lines = append(lines, "what goes with a better efficiency need not be its cause")
	}
	return lines
}

// change says what changed between runs, and what went with it.
func change(c learn.Change) string {
	var text, at string
	if c.Words != nil {
		text, at = fmt.Sprintf("%s: %s", c.Condition, strings.Join(c.Words, ", then ")), "with "+c.Words[len(c.Words)-1]
	} else {
		unit := map[learn.Condition]report.Unit{learn.Area: report.SquareCentimetres, learn.Density: report.AmperesPerDecimetre, learn.Temperature: report.Celsius}[c.Condition]
		end := func(v float64) string { return report.Show(matter.Figure{Value: v}, unit) }
		text, at = fmt.Sprintf("%s from %s to %s", c.Condition, end(c.From), end(c.To)), "at "+end(c.To)
	}
	d := c.Difference
	if !d.Known() {
		return text
	}
	more := "more"
	if d.Value < 0 {
		d.Value, more = -d.Value, "less"
	}
	text += fmt.Sprintf("; %s the efficiency was %s points %s", at, strings.TrimSuffix(report.Show(d, report.Percent), " %"), more)
	if !c.Told() {
		text += ", which the scatter of the runs can explain"
	}
	if len(c.With) > 0 {
		var with []string
		for _, w := range c.With {
			with = append(with, string(w))
		}
		text += "; it changed together with the " + strings.Join(with, " and the ") + ", so these runs cannot separate them"
	}
	return text
}
