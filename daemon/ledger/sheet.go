package ledger

import (
	"fmt"
	"time"

	"nightcell/configs"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/report"
	"nightcell/integrate/matter"
	"nightcell/integrate/stock"
)

// Sheet lays a bath out as a report. use is the open run that stands in it; empty: none does.
func (b *Bath) Sheet(use string) *report.Report {
	main := report.Table{Lines: []string{fmt.Sprintf("bath %s: %s, begun %s", b.Name, state(b.Open, use), b.Since.Local().Format(time.DateTime))}}
	r := &report.Report{Brief: true, Tables: []report.Table{main}}
	if b.Side != nil {
		liquid := report.Table{Figures: contents(b.metal().Element.Name, b.Side)}
		liquid.Add(report.Figure{Label: "not followed", Word: NotFollowed, Text: "the rest", Note: NotFollowed})
		r.Tables = append(r.Tables, liquid)
		r.Tables = append(r.Tables, report.Table{Title: "where the metal went", Figures: balance(b.Side.Books())})
		if b.Anolyte != nil {
			r.Tables = append(r.Tables, report.Table{Title: "anolyte", Figures: contents(b.metal().Element.Name, b.Anolyte)})
		}
	}
	return finish(r, &b.Standing)
}

// Sheet lays an electrode out likewise.
func (el *Electrode) Sheet(use string) *report.Report {
	closed := state(el.Open, use)
	if !el.Open {
		closed = "spent"
	}
	title := report.Table{Lines: []string{fmt.Sprintf("electrode %s: %s, in use since %s", el.Name, closed, el.Since.Local().Format(time.DateTime))}}
	var main report.Table
	main.Add(report.Figure{Label: "material", Word: el.Material})
	if el.Area > 0 {
		main.Add(report.Of("area", "area", matter.Figure{Value: el.Area, Mark: matter.Measured}, report.SquareCentimetres, ""))
	}
	main.Known("mass", "weighed last", el.Mass, report.Grams, "")
	main.Known("carries", "carries", el.Carries, report.Grams, "since it was stripped last")
	main.Add(report.Of("charge", "charge in all", matter.Figure{Value: el.Charge, Mark: matter.Measured}, report.AmpereHours, ""))
	return finish(&report.Report{Brief: true, Tables: []report.Table{title, main}}, &el.Standing, "AS", "BATH")
}

func state(open bool, use string) string {
	switch {
	case use != "":
		return "in use by " + use
	case open:
		return "open"
	}
	return "closed"
}

// words are the cells of a row.
func words(texts ...string) (cells []report.Figure) {
	for _, text := range texts {
		cells = append(cells, report.Figure{Word: text})
	}
	return cells
}

// contents are the figures of one liquid.
func contents(metal string, s *stock.Stock) []report.Figure {
	return []report.Figure{
		report.Of("left", metal+" left", s.Metal(), report.Grams, ""),
		report.Of("volume", "volume", s.Volume(), report.Litres, ""),
		report.Of("concentration", "concentration", s.Concentration(), report.GramsPerLitre, ""),
	}
}

// balance are the ways that the metal went; they add up.
func balance(b stock.Books) (rows []report.Figure) {
	for _, w := range []struct {
		key, label string
		kg         float64
	}{{"supplied", "put in", b.Supplied}, {"sampled", "with samples", b.Sampled}, {"discarded", "discarded", b.Discarded}, {"cathode", "onto cathodes", b.Cathode},
		{"anode", "taken by anodes", b.Anode}, {"crossed", "through separators", b.Crossed}, {"unaccounted", "found beyond the account", b.Unaccounted}, {"remaining", "left", b.Left}} {
		f := report.Of(w.key, w.label, matter.Figure{Value: w.kg, Mark: matter.Given}, report.Grams, "")
		if f.Rough = b.Supplied * 1e-3; w.kg < 0 {
			f.Note = map[string]string{"anode": "below zero: given by them", "crossed": "below zero: back into this liquid", "unaccounted": "below zero: missing"}[w.key]
		}
		rows = append(rows, f)
	}
	return rows
}

// finish adds what both sheets end with. more heads what an electrode's runs say besides.
func finish(r *report.Report, s *Standing, more ...string) *report.Report {
	runs := report.Table{Title: "runs", Grid: &report.Grid{Head: append([]string{"CELL", "RUN", "ONTO THE CATHODE", ""}, more...)}}
	for _, run := range s.Runs {
		won, how := report.Show(run.Won, report.Grams), "by its charge"
		if run.Role == "anode" {
			won, how = "", ""
		} else if run.Weighed {
			how = "weighed"
		}
		cells := words(run.Cell, run.Run, won, how, run.Role, run.Bath)
		runs.Grid.Rows = append(runs.Grid.Rows, report.GridRow{Cells: cells[:len(runs.Grid.Head)]})
	}
	if len(s.Runs) > 0 {
		r.Tables = append(r.Tables, runs)
	}
	made := report.Table{Title: "entries", Grid: &report.Grid{Head: []string{"NAME", "TIME", "KIND", "BY", ""}}}
	for i := range s.Entries {
		e := control.EntryOf(&s.Entries[i])
		made.Grid.Rows = append(made.Grid.Rows, report.GridRow{Cells: words(s.Entries[i].Name(), e.At.Local().Format(time.DateTime), e.Kind, e.By, e.Text)})
	}
	if len(s.Entries) > 0 {
		r.Tables = append(r.Tables, made)
	}
	if len(s.Problems) > 0 {
		r.Tables = append(r.Tables, report.Table{Title: "NOT normal", Lines: s.Problems, Bullet: "  - "})
	}
	return r
}

// OfCell is what the ledgers say of the bath and the electrodes of a cell, as they stand without its open run; nothing where none has begun.
func OfCell(data string, c *configs.Cell) (rows []report.Figure) {
	if c.Bath != nil {
		if b, err := ReadBath(data, c.Bath.Name); err == nil && b.Side != nil {
			rows = contents(b.metal().Element.Name, b.Side)
			rows[0].Note = fmt.Sprintf("bath %s, %s, after %s", b.Name, state(b.Open, ""), quantity.Count(len(b.Runs), "run"))
		}
	}
	for _, e := range []struct{ role, name string }{{"cathode", c.Electrodes.CathodeName}, {"anode", c.Electrodes.AnodeName}} {
		if el, err := ReadElectrode(data, e.name); e.name != "" && err == nil {
			f := report.Of("carries", e.role+" "+el.Name, el.Carries, report.Grams, fmt.Sprintf("%s, after %s; what it carries since it was stripped", el.Material, quantity.Count(len(el.Runs), "run")))
			if !el.Carries.Known() {
				f.Text = "carries nothing"
			}
			rows = append(rows, f)
		}
	}
	return rows
}
