package report

import (
	_ "embed" // the page is a template of its own
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"regexp"
	"strings"
)

//go:embed page.html
var pageText string

// HTML draws the report as a page of its own, to be read, printed and kept: it asks for nothing from elsewhere.
func (r *Report) HTML(w io.Writer) error {
	return r.draw(w, "report")
}

// Fragment draws the tables alone, for a page with a style of its own.
func (r *Report) Fragment() (template.HTML, error) {
	var b strings.Builder
	err := r.draw(&b, "tables")
	return template.HTML(b.String()), err
}

// draw executes a template of page.html.
func (r *Report) draw(w io.Writer, name string) error {
	page, err := template.New("report").Parse(pageText)
	if err != nil {
		return fmt.Errorf("reading the page of a report: %w", err)
	}
	shown := htmlPage{Title: r.Title}
	var cited sources
	add := func(t *Table) {
		if h := t.html(&cited); h != nil {
			shown.Tables = append(shown.Tables, *h)
		}
	}
	for i := range r.Tables {
		add(&r.Tables[i])
	}
	for i, source := range cited.list {
		cited.list[i] = fmt.Sprintf("[%d] %s", i+1, source)
	}
	add(&Table{Title: "Sources", Lines: cited.list})
	if err := page.ExecuteTemplate(w, name, shown); err != nil {
		return fmt.Errorf("drawing the page of a report: %w", err)
	}
	return nil
}

// words tell a cell of words or of a date from one of a number with its unit.
var words = regexp.MustCompile(`\pL{3}|\d:\d| $`)

type htmlPage struct {
	Title  string
	Tables []htmlTable
}

type htmlTable struct {
	Title   string
	Rows    []shownRow
	Head    []string
	Grid    [][]string
	Numbers []bool // of the columns of Grid: they hold numbers and stand on the right
	Lines   []string
	Listed  bool         // the lines are points
	Picture template.URL // of an SVG
}

// html is the table as the page has it; nil if it shows nothing.
func (t *Table) html(cited *sources) *htmlTable {
	h := &htmlTable{Title: cited.numbered(t.Title), Rows: cited.rows(t.Figures, ""), Listed: t.Bullet != ""}
	for _, line := range t.Lines {
		h.Lines = append(h.Lines, cited.numbered(line))
	}
	if t.Grid != nil {
		if t.Grid.headed() {
			h.Head = t.Grid.Head
		}
		h.Numbers = make([]bool, max(len(t.Grid.Head), 1))
		for i := range h.Numbers {
			h.Numbers[i] = i > 0
		}
		for _, row := range t.Grid.Rows {
			cells := row.texts()
			for i, c := range cells[:min(len(cells), len(h.Numbers))] {
				h.Numbers[i] = h.Numbers[i] && !words.MatchString(c)
			}
			if len(cells) > 0 {
				h.Grid = append(h.Grid, cells)
			}
		}
	}
	if len(t.Picture) > 0 {
		h.Picture = template.URL("data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(t.Picture)) // an image runs nothing
	}
	if len(h.Rows) == 0 && len(h.Grid) == 0 && len(h.Lines) == 0 && h.Picture == "" {
		return nil
	}
	return h
}
