package routes

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	"fmt"
	html "html/template"
	"maps"
	"os"
	"slices"
	"strconv"
	"strings"
	text "text/template"
	"time"
)

//go:embed letter
var letterFiles embed.FS

// longestLetter bounds what a template may write, in bytes.
const longestLetter = 256 << 10

// Letter is a notice in words, for the routes that a person reads.
type Letter struct {
	Subject string // one line
	Text    string
	HTML    string
}

// Templates turn a notice into words. They are executed on a Notice and may use
// the functions clock (a time of day where the user is), span (a duration),
// headline (the subject, with the cell's name before it), figures (the values
// with units, what the supply shows first) and upper.
type Templates struct {
	subject, text *text.Template
	html          *html.Template
	builtIn       *Templates // what is used when a user's template fails; nil in the built-in ones
}

// TemplateFiles name the files with the user's own templates; an empty name keeps the built-in one.
type TemplateFiles struct{ Subject, Text, HTML string }

// LoadTemplates parses templates and tries each on a sample of every kind of
// notice, so that a mistake is found now and not at night.
func LoadTemplates(files TemplateFiles, location *time.Location) (*Templates, error) {
	builtIn, err := parseTemplates(TemplateFiles{}, location)
	if err != nil || files == (TemplateFiles{}) {
		return builtIn, err
	}
	t, err := parseTemplates(files, location)
	if err != nil {
		return nil, err
	}
	for _, sample := range samples() {
		if _, err := t.compose(sample); err != nil {
			return nil, fmt.Errorf("template tried on a sample notification of kind %s: %w", sample.Kind, err)
		}
	}
	t.builtIn = builtIn
	return t, nil
}

func parseTemplates(files TemplateFiles, location *time.Location) (*Templates, error) {
	functions := map[string]any{
		"clock":    func(t time.Time) string { return t.In(location).Format("2006-01-02 15:04:05 MST") },
		"span":     func(d time.Duration) string { return d.Round(time.Second).String() },
		"headline": headline,
		"figures":  figures,
		"upper":    strings.ToUpper,
	}
	subject, err1 := readTemplate(files.Subject, "letter/subject.txt")
	body, err2 := readTemplate(files.Text, "letter/text.txt")
	page, err3 := readTemplate(files.HTML, "letter/page.html")
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, err
	}
	t := &Templates{}
	t.subject, err1 = text.New("subject").Funcs(functions).Parse(subject)
	t.text, err2 = text.New("text").Funcs(functions).Parse(body)
	t.html, err3 = html.New("html").Funcs(functions).Parse(page)
	if err := errors.Join(err1, err2, err3); err != nil {
		return nil, fmt.Errorf("parse template: %w", err)
	}
	return t, nil
}

func readTemplate(own, builtIn string) (string, error) {
	if own == "" {
		data, err := letterFiles.ReadFile(builtIn)
		return string(data), err
	}
	data, err := os.ReadFile(own)
	if err != nil {
		return "", fmt.Errorf("read template: %w", err)
	}
	return string(data), nil
}

// Compose writes the letter for a notice. It always succeeds: where the user's
// template fails, the built-in one is used, and the text says why.
func (t *Templates) Compose(n Notice) Letter {
	letter, err := t.compose(n)
	if err != nil && t.builtIn != nil {
		letter, _ = t.builtIn.compose(n)
		letter.Text += "\n(Your own template failed: " + oneLine(err.Error()) + ")\n"
	}
	return letter
}

func (t *Templates) compose(n Notice) (Letter, error) {
	n = n.Clean()
	var subject, body, page bounded
	if err := errors.Join(t.subject.Execute(&subject, n), t.text.Execute(&body, n), t.html.Execute(&page, n)); err != nil {
		return Letter{}, err
	}
	return Letter{Subject: oneLine(subject.String()), Text: body.String(), HTML: page.String()}, nil
}

// bounded is a buffer that refuses to grow past longestLetter.
type bounded struct{ bytes.Buffer }

func (b *bounded) Write(p []byte) (int, error) {
	if b.Len()+len(p) > longestLetter {
		return 0, fmt.Errorf("a message may be at most %d bytes long", longestLetter)
	}
	return b.Buffer.Write(p)
}

// headline is the subject, which names the cell once and a drill not at all: the templates mark it.
func headline(n Notice) string {
	s := n.Subject
	if n.Drill {
		s = strings.TrimPrefix(s, "DRILL: ")
	}
	if n.Cell == "" || strings.HasPrefix(s, n.Cell+":") {
		return s
	}
	return n.Cell + ": " + s
}

// figure is one value in words.
type figure struct{ Name, Value string }

// tradeUnits turn the SI unit at the end of a figure's name into what people read.
var tradeUnits = map[string]struct {
	symbol string
	size   float64 // in the SI unit
}{
	"coulombs": {"A·h", 3600}, "joules": {"W·h", 3600}, "volts": {"V", 1}, "amperes": {"A", 1},
	"kilograms": {"g", 1e-3}, "seconds": {"s", 1}, "bytes": {"MB", 1e6}, "ratio": {"%", 0.01},
	"amperes_per_square_metre": {"A/dm²", 100}, "cubic_metres_per_second": {"m³/h", 1.0 / 3600}, "joules_per_kilogram": {"W·h/g", 3.6e6},
}

// firstFigures are the names of the figures that come first, in this order: what the supply shows, then
// what was counted. Before them stand what the alarm found and its limit, the others follow by name.
var firstFigures = []struct{ name, label string }{
	{"reading_volts", "Cell voltage"}, {"reading_amperes", "Current"}, {"reading_age_seconds", "Age of the reading"},
	{"charge_coulombs", "Charge"}, {"charge_standard_uncertainty_coulombs", "Charge uncertainty"},
	{"target_charge_coulombs", "Target"}, {"deposit_kilograms", "Deposit"}, {"energy_joules", "Energy"},
}

// figures puts the values in a sensible order and moves the unit from the name to the figure.
func figures(values map[string]float64) []figure {
	rank := func(name string) int {
		switch {
		case strings.HasPrefix(name, FoundPrefix):
			return -2
		case strings.HasPrefix(name, "limit_"):
			return -1
		}
		for i, f := range firstFigures {
			if f.name == name {
				return i
			}
		}
		return len(firstFigures)
	}
	names := slices.SortedFunc(maps.Keys(values), func(a, b string) int {
		return cmp.Or(cmp.Compare(rank(a), rank(b)), cmp.Compare(a, b))
	})
	var all []figure
	for _, name := range names {
		v := values[name]
		label, unit := name, ""
		if at := strings.LastIndexByte(name, '_'); at >= 0 {
			label, unit = name[:at], " "+name[at+1:]
		}
		for at := 1; at < len(name); at++ { // the longest that fits: a unit may be a quotient
			if u, ok := tradeUnits[name[at:]]; ok && name[at-1] == '_' {
				label, unit, v = name[:at-1], " "+u.symbol, v/u.size
				break
			}
		}
		label = strings.ReplaceAll(label, "_", " ")
		if i := rank(name); i >= 0 && i < len(firstFigures) {
			label = firstFigures[i].label
		} else if label != "" {
			label = strings.ToUpper(label[:1]) + label[1:]
		}
		all = append(all, figure{label + ":", strconv.FormatFloat(v, 'g', 5, 64) + unit})
	}
	return all
}

// samples are notices of every kind, with and without the optional parts.
func samples() []Notice {
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	full := Notice{
		ID: "sample", Cell: "zinc-1", Supply: "bench", Condition: "over-current", Priority: High, State: "UNACK",
		At: at, Since: at.Add(-time.Minute), Subject: "4.1 A where 3.3 A is the limit", Text: "text", Meaning: "meaning",
		First: "first", Acknowledge: "nightcell alarms ack zinc-1 over-current",
		Values: map[string]float64{"current_amperes": 4.1}, Link: "https://bench.example/alarm/x", Repeat: 1, Delayed: time.Hour, Picture: []byte{1},
	}
	var all []Notice
	for _, kind := range []Kind{Alarm, Cleared, Acknowledged, Quieted, Milestone, Drill, Ended, Summary} {
		n := full
		n.Kind, n.Drill = kind, kind == Drill
		all = append(all, n, Notice{ID: "bare", Kind: kind, Cell: "zinc-1", At: at})
	}
	return all
}
