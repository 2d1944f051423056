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
	var cited sources
	page := template.Must(template.New("report").Funcs(template.FuncMap{
		"cite": cited.numbered, "rows": cited.rows, "texts": GridRow.texts, "headed": (*Grid).headed, "numbers": (*Grid).numbers,
		"cited": func() []string { return cited.list },
		"next":  func(i int) int { return i + 1 },
		"image": func(svg []byte) template.URL { // which runs nothing
			return template.URL("data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(svg))
		},
	}).Parse(pageText))
	if err := page.ExecuteTemplate(w, name, r); err != nil {
		return fmt.Errorf("drawing the page of a report: %w", err)
	}
	return nil
}

// words tell a cell of words or of a date from one of a number with its unit.
var words = regexp.MustCompile(`\pL{3}|\d:\d| $`)

// numbers says of each column whether it holds numbers, which stand on the right.
func (g *Grid) numbers() []bool {
	numbers := make([]bool, max(len(g.Head), 1))
	for i := range numbers {
		numbers[i] = i > 0
	}
	for _, row := range g.Rows {
		cells := row.texts()
		for i, c := range cells[:min(len(cells), len(numbers))] {
			numbers[i] = numbers[i] && !words.MatchString(c)
		}
	}
	return numbers
}
