package matter

import (
	"cmp"
	_ "embed" // the table of metals is a file, so that a chemist can check it figure by figure
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"
)

//go:embed metals.toml
var metalsTOML string

// metals is the table, immutable once parsed.
var metals = sync.OnceValue(func() []Metal {
	table, err := parseMetals(metalsTOML)
	if err != nil {
		panic("matter: embedded metals.toml: " + err.Error()) // a test reads the table, so this cannot ship
	}
	return table
})

// The shapes of the file. A figure is [value, "source"], a range is [low, high, "source"].
type (
	figureRow []any
	metalRow  struct {
		Symbol    string
		Density   figureRow
		Depletion struct {
			Visible     bool
			Why, Source string
		}
		Interruption struct {
			Seconds     float64
			Why, Source string
		}
		Store struct{ Text, Source string }
		Fade  struct {
			Media       []Medium
			Beyond      float64
			Why, Source string
		}
		Couple []struct {
			Media     []Medium
			Valence   int
			Reaction  string
			Potential figureRow
			Protons   float64
			Ligand    string
			Ligands   float64
		}
		Window []struct {
			Media                                                     []Medium
			Density, Temperature, PH, Cell, Efficiency, Concentration figureRow
			Without                                                   map[Condition]float64
		}
		Stop []struct {
			Media                          []Medium
			State, Unattended, Why, Source string
		}
		Oxide []struct {
			Media            []Medium
			Anodes           []string
			Formula          string
			Electrons        int
			Share, Separated figureRow
		}
		Caution []struct {
			Media        []Medium
			Acid, Danger bool
			Text, Source string
		}
	}
)

// tableReader turns rows into metals and keeps the first mistake.
type tableReader struct {
	sources map[string]Source
	at      string // which metal, for messages
	err     error
}

func parseMetals(text string) ([]Metal, error) {
	var file struct {
		Source map[string]Source
		Metal  []metalRow
	}
	meta, err := toml.Decode(text, &file)
	if err != nil {
		return nil, err
	}
	if extra := meta.Undecoded(); len(extra) > 0 {
		return nil, fmt.Errorf("unknown keys %v", extra)
	}
	r := &tableReader{sources: file.Source}
	var table []Metal
	for _, row := range file.Metal {
		r.at = row.Symbol
		table = append(table, r.metal(row))
	}
	slices.SortFunc(table, func(a, b Metal) int { return strings.Compare(a.Element.Symbol, b.Element.Symbol) })
	return table, r.err
}

func (r *tableReader) metal(row metalRow) Metal {
	element, ok := LookUpElement(row.Symbol)
	if !ok {
		r.fail("no such element")
	}
	m := Metal{Element: element, Density: r.figure(row.Density)}
	m.Depletion = Depletion{Visible: row.Depletion.Visible, Why: row.Depletion.Why}
	m.Depletion.Mark, m.Depletion.Source = r.source(row.Depletion.Source)
	m.Interrupt.Why = row.Interruption.Why
	m.Interrupt.Tolerance.Value = row.Interruption.Seconds
	m.Interrupt.Tolerance.Mark, m.Interrupt.Tolerance.Source = r.source(row.Interruption.Source)
	m.Store.Text = row.Store.Text
	m.Store.Mark, m.Store.Source = r.source(row.Store.Source)
	if row.Fade.Why != "" {
		f := Fade{Media: r.media(row.Fade.Media), Beyond: row.Fade.Beyond, Why: row.Fade.Why}
		f.Mark, f.Source = r.source(row.Fade.Source)
		m.Fades = append(m.Fades, f)
	}
	for _, c := range row.Couple {
		m.Couples = append(m.Couples, Couple{Media: r.media(c.Media), Valence: c.Valence, Reaction: c.Reaction,
			Potential: r.figure(c.Potential), Protons: c.Protons, Ligand: c.Ligand, Ligands: c.Ligands})
	}
	for _, w := range row.Window {
		m.Windows = append(m.Windows, Window{
			Media:          r.media(w.Media),
			CurrentDensity: r.span(w.Density, 1, 0),
			Temperature:    r.span(w.Temperature, 1, ZeroCelsius),
			PH:             r.span(w.PH, 1, 0),
			CellVoltage:    r.span(w.Cell, 1, 0),
			Efficiency:     r.span(w.Efficiency, 0.01, 0),
			Needs:          r.needs(w.Without),
			Concentration:  r.span(w.Concentration, 1, 0),
		})
	}
	for _, s := range row.Stop {
		stop := Stop{Media: r.media(s.Media), State: SafeState(s.State), Unattended: SafeState(s.Unattended), Why: s.Why}
		stop.Mark, stop.Source = r.source(s.Source)
		m.Stops = append(m.Stops, stop)
	}
	for _, o := range row.Oxide {
		m.Oxides = append(m.Oxides, Oxide{Media: r.media(o.Media), Anodes: o.Anodes, Formula: o.Formula, Electrons: o.Electrons,
			Undivided: r.span(o.Share, 0.01, 0), Divided: r.span(o.Separated, 0.01, 0)})
	}
	for _, c := range row.Caution {
		caution := Caution{Media: r.media(c.Media), Acid: c.Acid, Danger: c.Danger, Text: c.Text}
		caution.Mark, caution.Source = r.source(c.Source)
		m.Cautions = append(m.Cautions, caution)
	}
	return m
}

// needs lists the conditions of a window, the costliest first.
func (r *tableReader) needs(without map[Condition]float64) []Need {
	var list []Need
	for c, percent := range without {
		if !slices.Contains([]Condition{Purified, Divided, Buffered, RightDensity, RightTemperature}, c) {
			r.fail("unknown condition " + string(c))
		}
		list = append(list, Need{c, percent / 100})
	}
	slices.SortFunc(list, func(a, b Need) int {
		return cmp.Or(cmp.Compare(a.Lowest, b.Lowest), cmp.Compare(a.Condition, b.Condition))
	})
	return list
}

func (r *tableReader) fail(text string) {
	if r.err == nil {
		r.err = fmt.Errorf("%s: %s", r.at, text)
	}
}

func (r *tableReader) media(media []Medium) []Medium {
	for _, m := range media {
		if m != anyMedium && !m.Known() {
			r.fail("unknown medium " + string(m))
		}
	}
	return media
}

func (r *tableReader) source(key string) (Mark, string) {
	mark, text := r.sources[key].Cite()
	if mark == Unmarked {
		r.fail(fmt.Sprintf("source %q is not listed", key))
	}
	return mark, text
}

// numbers splits a row into its numbers and the source key at its end.
func (r *tableReader) numbers(row figureRow, count int) ([]float64, string) {
	if len(row) != count+1 {
		r.fail(fmt.Sprintf("%v: %d numbers and a source are needed", row, count))
		return make([]float64, count), ""
	}
	var values []float64
	for _, v := range row[:count] {
		switch v := v.(type) {
		case float64:
			values = append(values, v)
		case int64:
			values = append(values, float64(v))
		default:
			r.fail(fmt.Sprintf("%v is not a number", v))
			values = append(values, 0)
		}
	}
	key, _ := row[count].(string)
	return values, key
}

func (r *tableReader) figure(row figureRow) Figure {
	if row == nil {
		return Figure{}
	}
	values, key := r.numbers(row, 1)
	mark, source := r.source(key)
	return Figure{Value: values[0], Mark: mark, Source: source}
}

// span reads a range and turns it into SI: value × scale + shift.
func (r *tableReader) span(row figureRow, scale, shift float64) Range {
	if row == nil {
		return Range{}
	}
	values, key := r.numbers(row, 2)
	mark, source := r.source(key)
	return Range{Low: values[0]*scale + shift, High: values[1]*scale + shift, Mark: mark, Source: source}
}
