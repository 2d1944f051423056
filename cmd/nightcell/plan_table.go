package main

import (
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"nightcell/integrate/matter"
)

// planRow is one figure of a table: what it is, how much, whence, and a word on it.
type planRow struct {
	label, value string
	mark         matter.Mark
	note         string
}

// planTable is one table of a plan.
type planTable struct {
	title string
	rows  []planRow
}

func (t *planTable) add(label, value string, mark matter.Mark, note string) {
	t.rows = append(t.rows, planRow{label, value, mark, note})
}

// figure adds a figure in a unit of which there are perSI in the SI unit, if it is known.
func (t *planTable) figure(label string, f matter.Figure, perSI float64, unit, note string) {
	if !f.Known() {
		return
	}
	t.add(label, strings.TrimSpace(scaledDoubt(f, perSI)+" "+unit), f.Mark, note)
}

// letter is a mark in one letter, a blank for none.
func letter(m matter.Mark) string {
	if m == matter.Unmarked {
		return " "
	}
	return m.String()[:1]
}

const noteWidth = 100 // columns at which notes are wrapped

// print writes the table, its columns aligned by the width of their text.
func (t *planTable) print(w io.Writer) {
	if len(t.rows) == 0 {
		return
	}
	label, value := 0, 0
	for _, r := range t.rows {
		label, value = max(label, utf8.RuneCountInString(r.label)), max(value, utf8.RuneCountInString(r.value))
	}
	fmt.Fprintln(w)
	printWrapped(w, "", "", t.title)
	for _, r := range t.rows {
		line := fmt.Sprintf("  %s  %s  %s", padded(r.label, label), padded(r.value, value), letter(r.mark))
		if r.note == "" {
			fmt.Fprintln(w, strings.TrimRight(line, " "))
			continue
		}
		indent := utf8.RuneCountInString(line) + 2
		for i, part := range wrapped(r.note, max(noteWidth-indent, 30)) {
			if i == 0 {
				fmt.Fprintf(w, "%s  %s\n", line, part)
			} else {
				fmt.Fprintf(w, "%s%s\n", strings.Repeat(" ", indent), part)
			}
		}
	}
}

// printGrid writes a table of columns under a head, the first left-aligned and the others right.
func printGrid(w io.Writer, title string, head []string, rows [][]string) {
	widths := make([]int, len(head))
	for _, row := range append([][]string{head}, rows...) {
		for i, cell := range row {
			widths[i] = max(widths[i], utf8.RuneCountInString(cell))
		}
	}
	fmt.Fprintf(w, "\n%s\n", title)
	if strings.Join(head, "") != "" {
		rows = append([][]string{head}, rows...)
	}
	for _, row := range rows {
		var line strings.Builder
		for i, cell := range row {
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
	line := ""
	for word := range strings.FieldsSeq(text) {
		if line != "" && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			lines = append(lines, line)
			line = ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}

// printWrapped writes a paragraph with a first prefix and an indent for what follows.
func printWrapped(w io.Writer, prefix, indent, text string) {
	for i, line := range wrapped(text, noteWidth-utf8.RuneCountInString(indent)) {
		if i == 0 {
			fmt.Fprintln(w, prefix+line)
		} else {
			fmt.Fprintln(w, indent+line)
		}
	}
}
