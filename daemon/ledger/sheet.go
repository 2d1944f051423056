package ledger

import (
	"fmt"
	"math"
	"time"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/report"
	"nightcell/integrate/matter"
	"nightcell/integrate/stock"
)

// Sheet lays a bath out as a report. use is the open run that stands in it; empty: none does.
func (b *Bath) Sheet(use string) *report.Report {
	main := report.Table{Lines: []string{fmt.Sprintf("bath %s: %s, begun %s", b.Name, state(b.Open, use), b.Since.Local().Format(time.DateTime))}}
	main.Figures = append(main.Figures, word("name", "", b.Name), word("open", "", b.Open), word("metal", "", b.Stated.Metal), word("in_use_by", "", use))
	r := &report.Report{Brief: true, Tables: []report.Table{main}}
	if b.Side != nil {
		liquid := report.Table{Figures: contents(b.metal().Element.Name, b.Side)}
		liquid.Add(report.Figure{Key: "not_followed", Label: "not followed", Word: NotFollowed, Text: "the rest", Note: NotFollowed})
		r.Tables = append(r.Tables, liquid)
		books := report.Table{Key: "balance", Title: "where the metal went", Figures: balance(b.Side.Books())}
		r.Tables = append(r.Tables, books)
		if b.Anolyte != nil {
			r.Tables = append(r.Tables, report.Table{Key: "anolyte", Title: "anolyte", Figures: contents(b.metal().Element.Name, b.Anolyte)})
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
	main.Add(word("name", "", el.Name))
	main.Add(word("open", "", el.Open))
	main.Add(word("in_use_by", "", use))
	main.Add(word("material", "material", el.Material))
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

func word(key, label string, value any) report.Figure {
	return report.Figure{Key: key, Label: label, Word: value}
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
		if f.Rough = math.Abs(w.kg) * 1e-3; w.kg < 0 {
			f.Note = map[string]string{"anode": "below zero: given by them", "crossed": "below zero: back into this liquid", "unaccounted": "below zero: missing"}[w.key]
		}
		rows = append(rows, f)
	}
	return rows
}

// row is a run in a list.
func (s Stood) row() report.GridRow {
	how, won := "by its charge", report.Of("won", "", s.Won, report.Grams, "")
	if won.Text = report.Show(s.Won, report.Grams); s.Weighed {
		how = "weighed"
	}
	if s.Role == "anode" {
		how, won = "", word("", "", "")
	}
	cells := []report.Figure{word("cell", "", s.Cell), word("run", "", s.Run), won, word("by", "", how)}
	if s.Role != "" {
		cells = append(cells, word("role", "", s.Role), word("bath", "", s.Bath))
	}
	return report.GridRow{Cells: cells}
}

// finish adds what both sheets end with. more heads what an electrode's runs say besides.
func finish(r *report.Report, s *Standing, more ...string) *report.Report {
	runs := report.Table{Key: "runs", Title: "runs", Grid: &report.Grid{Head: append([]string{"CELL", "RUN", "ONTO THE CATHODE", ""}, more...)}}
	for _, run := range s.Runs {
		runs.Grid.Rows = append(runs.Grid.Rows, run.row())
	}
	if len(s.Runs) > 0 {
		r.Tables = append(r.Tables, runs)
	}
	made := report.Table{Key: "entries", Title: "entries", Grid: &report.Grid{Head: []string{"NAME", "TIME", "KIND", "BY", ""}}}
	for i := range s.Entries {
		e := control.EntryOf(&s.Entries[i])
		made.Grid.Rows = append(made.Grid.Rows, report.GridRow{
			Cells: []report.Figure{word("entry", "", s.Entries[i].Name()), {Key: "at", Word: e.At.UTC().Format(time.RFC3339Nano), Text: e.At.Local().Format(time.DateTime)}, word("kind", "", e.Kind), word("by", "", e.By), word("text", "", e.Text)},
			More:  []report.Figure{word("numbers", "", e.Numbers), word("words", "", e.Words)},
		})
	}
	if len(s.Entries) > 0 {
		r.Tables = append(r.Tables, made)
	}
	if len(s.Problems) > 0 {
		r.Tables = append(r.Tables, report.Table{Key: "problems", Title: "NOT normal", Lines: s.Problems, Bullet: "  - "})
	}
	return r
}

// OfCell is what the ledgers say of the bath and the electrodes of a cell, as they stand without its open run; nothing where none has begun.
func OfCell(data string, c *configs.Cell) (rows []report.Figure) {
	if c.Bath != nil {
		if b, err := ReadBath(data, c.Bath.Name); err == nil && b.Side != nil {
			rows = contents(b.metal().Element.Name, b.Side)
			rows[0].Note = fmt.Sprintf("bath %s, %s, after %d runs", b.Name, state(b.Open, ""), len(b.Runs))
		}
	}
	for _, e := range []struct{ role, name string }{{"cathode", c.Electrodes.CathodeName}, {"anode", c.Electrodes.AnodeName}} {
		if el, err := ReadElectrode(data, e.name); e.name != "" && err == nil {
			f := report.Of("carries", e.role+" "+el.Name, el.Carries, report.Grams, fmt.Sprintf("%s, after %d runs; what it carries since it was stripped", el.Material, len(el.Runs)))
			if !el.Carries.Known() {
				f.Text = "carries nothing"
			}
			rows = append(rows, f)
		}
	}
	return rows
}
