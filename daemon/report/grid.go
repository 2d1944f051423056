package report

import (
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// Grid is figures in columns.
type Grid struct {
	Head []string // with the unit where all of a column have one; all empty: no head is shown
	Rows []GridRow
}

// GridRow is one line of a grid.
type GridRow struct {
	Cells []Figure // one of each column, shown without unit and doubt
	More  []Figure // in JSON alone
	Mark  matter.Mark
}

// list is the grid in JSON: an object for each row that has a key.
func (g *Grid) list() []map[string]any {
	list := []map[string]any{}
	for _, row := range g.Rows {
		one := newObject()
		one.figures(row.Cells)
		one.figures(row.More)
		if len(one.values) > 0 {
			list = append(list, one.values)
		}
	}
	return list
}

// texts are the cells of a row for people.
func (row GridRow) texts() []string {
	var texts []string
	for _, f := range row.Cells {
		switch {
		case f.Text != "":
			texts = append(texts, f.Text)
		case f.Word != nil:
			texts = append(texts, word(f.Word))
		default:
			texts = append(texts, f.alone())
		}
	}
	return texts
}

// Beside asks for one row of a comparison.
type Beside struct {
	Label string
	Names []string // of the figure in JSON, with the unit; the first that a report has counts
	// Shared is for a figure whose doubt all columns share: it is shown to three digits, because the difference is known
	// better than each figure.
	Shared bool
}

// Compare sets reports of one kind side by side. A row carries the weakest mark of its figures; one that no report has a
// figure for is left out.
func Compare(title string, all []*Report, rows []Beside) Table {
	grid := &Grid{Head: []string{""}}
	for _, r := range all {
		grid.Head = append(grid.Head, r.Name)
	}
	grid.Head = append(grid.Head, "")
	for _, ask := range rows {
		var row GridRow
		cells, unit := []Figure{{}}, ""
		for _, r := range all {
			f := r.Find(ask.Names...)
			switch {
			case f == nil:
				cells = append(cells, Figure{Text: "-"})
				continue
			case f.Short != "":
				cells = append(cells, Figure{Text: f.Short})
			case ask.Shared:
				cells = append(cells, Figure{Text: quantity.Digits(f.Unit.shown(f.Value), 0)})
			default:
				cells = append(cells, Figure{Text: f.alone()})
			}
			row.Mark, unit = matter.Weakest(row.Mark, f.Mark), f.Unit.Symbol
		}
		if row.Mark == matter.Unmarked {
			continue
		}
		label := ask.Label
		switch {
		case label == "":
			label = unit
		case unit != "":
			label += ", " + unit
		}
		cells[0].Text = label
		row.Cells = append(cells, Figure{Text: letter(row.Mark)})
		grid.Rows = append(grid.Rows, row)
	}
	return Table{Title: title, Grid: grid}
}

// letter is a mark in one letter, a blank for none.
func letter(m matter.Mark) string {
	if m == matter.Unmarked {
		return " "
	}
	return m.String()[:1]
}

// headed tells whether the grid has a head.
func (g *Grid) headed() bool { return strings.Join(g.Head, "") != "" }
