package report

import (
	"bufio"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"unicode/utf8"
)

const (
	lineWidth = 100 // columns at which text is wrapped, if nobody says otherwise
	noteWidth = 30  // columns that a note has at least; else it stands below its figure
	setIn     = 6   // columns that it is set in there
)

// printer writes the text of a report.
type printer struct {
	io.Writer
	width   int
	sources *sources
}

// Text draws the report for a terminal: of a Brief one the tables that are not Rest, else all of them and the sources.
func (r *Report) Text(to io.Writer) error {
	w := bufio.NewWriter(to)
	p := printer{w, r.Width, nil}
	if p.width == 0 {
		p.width = lineWidth
	}
	if !r.Brief {
		p.sources = &sources{}
	}
	for i := range r.Tables {
		if !r.Brief || !r.Tables[i].Rest {
			p.table(&r.Tables[i])
		}
	}
	switch {
	case r.Brief:
		p.table(&Table{Apart: true, Lines: r.Further})
	case len(p.sources.list) > 0:
		fmt.Fprintln(p, "\nSources")
		for i, source := range p.sources.list {
			p.paragraph(fmt.Sprintf("  [%d] ", i+1), source)
		}
	}
	if err := w.Flush(); err != nil {
		return fmt.Errorf("printing: %w", err)
	}
	return nil
}

func (p *printer) table(t *Table) {
	rows := p.sources.rows(slices.DeleteFunc(slices.Clone(t.Figures), func(f Figure) bool { return f.Aside }), "")
	if t.Aside || len(rows) == 0 && t.Grid == nil && len(t.Lines) == 0 {
		return
	}
	if t.Title != "" {
		fmt.Fprintln(p)
		p.paragraph("", p.sources.numbered(t.Title))
	} else if t.Apart {
		fmt.Fprintln(p)
	}
	p.rows(rows)
	if t.Grid != nil {
		t.Grid.text(p)
	}
	for _, line := range t.Lines {
		p.paragraph(t.Bullet, p.sources.numbered(line))
	}
}

// shownRow is one figure as people read it.
type shownRow struct{ Label, Value, Mark, Whence, Note string } // Whence is the mark as a word, and the source

// rows lists the figures with a label, what they are made of set in below them.
func (s *sources) rows(all []Figure, in string) []shownRow {
	var rows []shownRow
	for _, f := range all {
		below := in
		if f.Label != "" {
			rows = append(rows, shownRow{in + f.Label, f.String(), letter(f.Mark), strings.TrimSuffix(f.Mark.String()+": "+f.Source, ": "), s.numbered(f.Note)})
			below += "  "
		}
		rows = append(rows, s.rows(f.Rows, below)...)
	}
	return rows
}

// rows writes label, value, mark and note in columns.
func (p *printer) rows(rows []shownRow) {
	label, value := 0, 0
	for _, r := range rows {
		label, value = max(label, utf8.RuneCountInString(r.Label)), max(value, utf8.RuneCountInString(r.Value))
	}
	for _, r := range rows {
		line := fmt.Sprintf("  %-*s  %-*s  %s", label, r.Label, value, r.Value, r.Mark)
		indent := utf8.RuneCountInString(line) + 2
		switch {
		case r.Note == "":
			fmt.Fprintln(p, strings.TrimRight(line, " "))
		case p.width-indent < min(noteWidth, utf8.RuneCountInString(r.Note)):
			fmt.Fprintln(p, strings.TrimRight(line, " "))
			p.paragraph(strings.Repeat(" ", setIn), r.Note)
		default:
			for i, part := range wrapped(r.Note, p.width-indent) {
				if i > 0 {
					line = strings.Repeat(" ", indent-2)
				}
				fmt.Fprintln(p, line+"  "+part)
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
			width := widths[i]
			if i == 0 {
				width = -width // on the left
			}
			fmt.Fprintf(&line, "  %*s", width, cell)
		}
		fmt.Fprintln(w, strings.TrimRight(line.String(), " "))
	}
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

// paragraph writes text behind a first prefix, what follows set in by its width.
func (p *printer) paragraph(prefix, text string) { Paragraph(p, prefix, text, p.width) }

// Paragraph writes text in lines of at most width columns, the first behind a prefix and the others set in by its width.
func Paragraph(w io.Writer, prefix, text string, width int) {
	for _, line := range wrapped(text, width-utf8.RuneCountInString(prefix)) {
		fmt.Fprintln(w, prefix+line)
		prefix = strings.Repeat(" ", utf8.RuneCountInString(prefix))
	}
}

// The marks around a cited source: characters that no text from outside may hold.
const openCite, closeCite = "\x02", "\x03"

var citation = regexp.MustCompile(` *` + openCite + `([^` + closeCite + `]*)` + closeCite)

// Cite stands for a source inside a text. Text and page show a number, and each source once, at the end; JSON has the source in
// its place, in brackets.
func Cite(source string) string { return openCite + source + closeCite }

// sources are those cited so far, each once. A nil one leaves them out.
type sources struct{ list []string }

// numbered is a text with the numbers of what it cites.
func (s *sources) numbered(text string) string {
	return citation.ReplaceAllStringFunc(text, func(found string) string {
		if s == nil {
			return ""
		}
		source := citation.FindStringSubmatch(found)[1]
		at := slices.Index(s.list, source)
		if at < 0 {
			at = len(s.list)
			s.list = append(s.list, source)
		}
		return fmt.Sprintf(" [%d]", at+1)
	})
}

// written is a text with what it cites in brackets.
func written(text string) string { return strings.TrimSpace(citation.ReplaceAllString(text, " ($1)")) }
