package routes

import (
	"bytes"
	"cmp"
	"embed"
	"errors"
	html "html/template"
	"maps"
	"nightcell/configs/quantity"
	"slices"
	"strconv"
	"strings"
	text "text/template"
	"time"
)

//go:embed letter
var letterFiles embed.FS

// Letter is a notice in words, for the routes that a person reads.
type Letter struct {
	Subject string // one line
	Text    string
	HTML    string
}

// Templates turn a notice into words, with times of day where the user is.
type Templates struct {
	subject, text *text.Template
	html          *html.Template
}

// LoadTemplates parses the templates. The functions that they use besides those of the library say a time of day, a
// duration, the subject with the cell's name before it, and the values with units.
func LoadTemplates(location *time.Location) *Templates {
	functions := map[string]any{
		"clock":    func(t time.Time) string { return t.In(location).Format("2006-01-02 15:04:05 MST") },
		"span":     quantity.Duration,
		"headline": headline,
		"figures":  figures,
		"upper":    strings.ToUpper,
	}
	words := func(file string) *text.Template {
		return text.Must(text.New(file).Funcs(functions).ParseFS(letterFiles, "letter/"+file))
	}
	return &Templates{words("subject.txt"), words("text.txt"),
		html.Must(html.New("page.html").Funcs(functions).ParseFS(letterFiles, "letter/page.html"))}
}

// Compose writes the letter for a notice.
func (t *Templates) Compose(n Notice) Letter {
	n = n.Clean()
	var subject, body, page bytes.Buffer
	if err := errors.Join(t.subject.Execute(&subject, n), t.text.Execute(&body, n), t.html.Execute(&page, n)); err != nil {
		body.WriteString("\n" + oneLine(err.Error()) + "\n") // the notice still goes
	}
	return Letter{Subject: oneLine(subject.String()), Text: body.String(), HTML: page.String()}
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
