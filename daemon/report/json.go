package report

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// JSON is the report as one object: snake_case keys with the unit last, under "marks" where each figure comes from, and
// under "sources" who prints it or why it is assumed.
func (r *Report) JSON() map[string]any {
	o := newObject()
	for i := range r.Tables {
		o.table(&r.Tables[i])
	}
	o.values["marks"], o.values["sources"] = o.marks, o.sources
	if len(r.Compared) > 0 {
		var all []map[string]any
		for _, other := range r.Compared {
			one := other.JSON()
			one["compared"] = other.Name
			all = append(all, one)
		}
		o.values["compared"] = all
	}
	return o.values
}

// object collects one JSON object, and the marks and sources of its figures.
type object struct {
	values         map[string]any
	marks, sources map[string]string
}

func newObject() object { return object{map[string]any{}, map[string]string{}, map[string]string{}} }

func (o *object) table(t *Table) {
	var content any
	switch {
	case t.Key == "":
		o.figures(t.Figures)
		return
	case t.Grid != nil:
		content = t.Grid.list()
	case t.List:
		list := []map[string]any{}
		for i := range t.Figures {
			one := newObject()
			one.figures(t.Figures[i : i+1])
			if t.Figures[i].Mark != matter.Unmarked {
				one.values["mark"] = t.Figures[i].Mark.String()
			}
			list = append(list, one.values)
		}
		content = list
	case len(t.Figures) > 0:
		one := newObject()
		one.figures(t.Figures)
		content = one.values
	default:
		lines, _ := o.values[t.Key].([]string)
		if lines == nil {
			lines = []string{}
		}
		for _, line := range t.Lines {
			lines = append(lines, written(line))
		}
		content = lines
	}
	o.values[t.Key] = content
}

func (o *object) figures(all []Figure) {
	for i := range all {
		if all[i].Key != "" {
			o.put(&all[i])
		}
		o.figures(all[i].Rows)
	}
}

// put adds a figure, its standard uncertainty and its limits.
func (o *object) put(f *Figure) {
	mark := func(key string) {
		if f.Mark != matter.Unmarked {
			o.marks[key] = f.Mark.String()
		}
		if f.Source != "" {
			o.sources[key] = f.Source
		}
	}
	if f.Word != nil {
		o.values[f.Key] = f.Word
		mark(f.Key)
		return
	}
	add := func(part string, si float64, marked bool) {
		key := f.name(part)
		o.values[key] = quantity.Maybe(si * f.Unit.WordPerSI)
		if marked {
			mark(key)
		}
	}
	add("", f.Value, true)
	if !math.IsNaN(f.Uncertainty) {
		add("_standard_uncertainty", f.Uncertainty, false)
	}
	if f.Limits != nil {
		add("_low", f.Limits.Low, true)
		add("_high", f.Limits.High, true)
	}
}

// word writes for people what JSON has as a word.
func word(w any) string {
	if list, ok := w.([]string); ok {
		return strings.Join(list, ", ")
	}
	return fmt.Sprint(w)
}
