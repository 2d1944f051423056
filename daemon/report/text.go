package report

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

const (
	lineWidth = 100 // columns at which text is wrapped
	noteWidth = 30  // columns that a note has at least
)

// Text draws the report for a terminal.
func (r *Report) Text(to io.Writer) error {
	w := bufio.NewWriter(to)
	for i := range r.Tables {
		r.Tables[i].text(w)
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("printing: %w", err)
	}
	return nil
}

func (t *Table) text(w io.Writer) {
	rows := shown(t.Figures, "")
	if t.Aside || len(rows) == 0 && t.Grid == nil && len(t.Lines) == 0 {
		return
	}
	if t.Title != "" {
		fmt.Fprintln(w)
		paragraph(w, "", "", t.Title)
	} else if t.Apart {
		fmt.Fprintln(w)
	}
	rowsText(w, rows)
	if t.Grid != nil {
		t.Grid.text(w)
	}
	for _, line := range t.Lines {
		paragraph(w, t.Bullet, strings.Repeat(" ", utf8.RuneCountInString(t.Bullet)), line)
	}
}

// shownRow is one figure as people read it.
type shownRow struct{ Label, Value, Mark, Whence, Note string } // Whence is the mark as a word, and the source

// shown lists the figures with a label, what they are made of set in below them.
func shown(all []Figure, in string) []shownRow {
	var rows []shownRow
	for _, f := range all {
		below := in
		if f.Label != "" {
			rows = append(rows, shownRow{in + f.Label, f.String(), letter(f.Mark), strings.TrimSuffix(f.Mark.String()+": "+f.Source, ": "), f.Note})
			below += "  "
		}
		rows = append(rows, shown(f.Rows, below)...)
	}
	return rows
}

// rowsText writes label, value, mark and note in columns.
func rowsText(w io.Writer, rows []shownRow) {
	label, value := 0, 0
	for _, r := range rows {
		label, value = max(label, utf8.RuneCountInString(r.Label)), max(value, utf8.RuneCountInString(r.Value))
	}
	for _, r := range rows {
		line := "  " + padded(r.Label, label) + "  " + padded(r.Value, value) + "  " + r.Mark
		if r.Note == "" {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			continue
		}
		indent := utf8.RuneCountInString(line) + 2
		for i, part := range wrapped(r.Note, max(lineWidth-indent, noteWidth)) {
			if i == 0 {
				fmt.Fprintln(w, line+"  "+part)
			} else {
				fmt.Fprintln(w, strings.Repeat(" ", indent)+part)
			}
		}
	}
}

// text writes the columns, the first left-aligned and the others right.
func (g *Grid) text(w io.Writer) {
	var lines [][]string
	if g.headed() {
		lines = append(lines, g.Head)
	}
	for _, row := range g.Rows {
		lines = append(lines, row.texts())
	}
	widths := make([]int, len(g.Head))
	for _, line := range lines {
		for i, cell := range line {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	for _, cells := range lines {
		var line strings.Builder
		for i, cell := range cells {
			if i == 0 {
				line.WriteString("  " + padded(cell, widths[i]))
				continue
			}
			line.WriteString("  " + strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell)) + cell)
		}
		fmt.Fprintln(w, strings.TrimRight(line.String(), " "))
	}
}

func padded(text string, width int) string {
	return text + strings.Repeat(" ", max(width-utf8.RuneCountInString(text), 0))
}

// wrapped cuts text into lines of at most width columns, at spaces.
func wrapped(text string, width int) []string {
	var lines []string
	line, columns := "", 0
	for word := range strings.FieldsSeq(text) {
		length := utf8.RuneCountInString(word)
		switch {
		case line == "":
			line, columns = word, length
		case columns+1+length > width:
			lines = append(lines, line)
			line, columns = word, length
		default:
			line += " " + word
			columns += 1 + length
		}
	}
	return append(lines, line)
}

// paragraph writes text with a first prefix and an indent for what follows.
func paragraph(w io.Writer, prefix, indent, text string) {
	for i, line := range wrapped(text, lineWidth-utf8.RuneCountInString(indent)) {
		if i == 0 {
			fmt.Fprintln(w, prefix+line)
		} else {
			fmt.Fprintln(w, indent+line)
		}
	}
}
