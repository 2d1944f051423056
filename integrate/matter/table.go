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
var metals = Table("metals.toml", metalsTOML, settleMetals)

// Table is what an embedded file holds, read when it is first asked for.
func Table[File, T any](name, text string, settle func(*File) (T, error)) func() T {
	return sync.OnceValue(func() T {
		table, err := ReadTable(text, settle)
		if err != nil {
			panic("embedded " + name + ": " + err.Error()) // a test reads each table, so this cannot ship
		}
		return table
	})
}

// ReadTable decodes a file, in which no key may be unknown, and hands it to settle, which judges what it says.
func ReadTable[File, T any](text string, settle func(*File) (T, error)) (table T, err error) {
	var file File
	meta, err := toml.Decode(text, &file)
	if err != nil {
		return table, err
	}
	if extra := meta.Undecoded(); len(extra) > 0 {
		return table, fmt.Errorf("unknown keys %v", extra)
	}
	return settle(&file)
}

// metalsFile is metals.toml.
type metalsFile struct {
	Source map[string]Source
	Metal  []Metal
}

// tableReader settles what the file says and keeps the first mistake.
type tableReader struct {
	sources map[string]Source
	at      string // which metal, for messages
	err     error
}

func settleMetals(file *metalsFile) ([]Metal, error) {
	r := &tableReader{sources: file.Source}
	for i := range file.Metal {
		r.settle(&file.Metal[i])
	}
	slices.SortFunc(file.Metal, func(a, b Metal) int { return strings.Compare(a.Element.Symbol, b.Element.Symbol) })
	return file.Metal, r.err
}

// settle puts sources in the place of their keys, and SI in the place of the file's units.
func (r *tableReader) settle(m *Metal) {
	r.at = m.Element.Symbol
	r.figure(&m.Density)
	r.cite(&m.Depletion.Mark, &m.Depletion.Source)
	r.cite(&m.Interrupt.Tolerance.Mark, &m.Interrupt.Tolerance.Source)
	r.cite(&m.Store.Mark, &m.Store.Source)
	if f := &m.Fading; f.Why != "" {
		r.media(f.Media)
		r.cite(&f.Mark, &f.Source)
	}
	for i := range m.Couples {
		r.media(m.Couples[i].Media)
		r.figure(&m.Couples[i].Potential)
		r.figure(&m.Couples[i].Enthalpy)
	}
	for i := range m.Windows {
		w := &m.Windows[i]
		r.media(w.Media)
		r.span(&w.CurrentDensity, 1, 0)
		r.span(&w.Temperature, 1, ZeroCelsius)
		r.span(&w.PH, 1, 0)
		r.span(&w.CellVoltage, 1, 0)
		r.span(&w.Efficiency, 0.01, 0)
		r.span(&w.Concentration, 1, 0)
	}
	for i := range m.Stops {
		r.media(m.Stops[i].Media)
		r.cite(&m.Stops[i].Mark, &m.Stops[i].Source)
	}
	for i := range m.Oxides {
		r.media(m.Oxides[i].Media)
		r.span(&m.Oxides[i].Undivided, 0.01, 0)
		r.span(&m.Oxides[i].Divided, 0.01, 0)
	}
	for i := range m.Cautions {
		r.media(m.Cautions[i].Media)
		r.cite(&m.Cautions[i].Mark, &m.Cautions[i].Source)
	}
}

func (r *tableReader) fail(text string) {
	if r.err == nil {
		r.err = fmt.Errorf("%s: %s", r.at, text)
	}
}

func (r *tableReader) media(media []Medium) {
	for _, m := range media {
		if m != anyMedium && !m.Known() {
			r.fail("unknown medium " + string(m))
		}
	}
}

// cite puts a source in the place of its key.
func (r *tableReader) cite(mark *Mark, source *string) {
	key := *source
	if *mark, *source = r.sources[key].Cite(); *mark == Unmarked {
		r.fail(fmt.Sprintf("source %q is not listed", key))
	}
}

func (r *tableReader) figure(f *Figure) {
	if f.Source != "" { // else the file has none
		r.cite(&f.Mark, &f.Source)
	}
}

// span turns a range into SI: value × scale + shift.
func (r *tableReader) span(of *Range, scale, shift float64) {
	if of.Source != "" {
		of.Low, of.High = of.Low*scale+shift, of.High*scale+shift
		r.cite(&of.Mark, &of.Source)
	}
}

// UnmarshalText finds an element by its symbol in the file.
func (e *Element) UnmarshalText(symbol []byte) error {
	found, ok := LookUpElement(string(symbol))
	if !ok {
		return fmt.Errorf("there is no element %q", symbol)
	}
	*e = found
	return nil
}

// UnmarshalTOML reads [value, "key of the source"] of the file.
func (f *Figure) UnmarshalTOML(row any) (err error) {
	f.Source, err = numbers(row, &f.Value)
	return err
}

// UnmarshalTOML reads [low, high, "key of the source"] of the file.
func (r *Range) UnmarshalTOML(row any) (err error) {
	r.Source, err = numbers(row, &r.Low, &r.High)
	return err
}

// numbers reads a row of numbers with the key of their source at its end.
func numbers(row any, into ...*float64) (key string, err error) {
	list, _ := row.([]any)
	if len(list) != len(into)+1 {
		return "", fmt.Errorf("%v: %d numbers and a source are needed", row, len(into))
	}
	for i, x := range into {
		if err := number(list[i], x); err != nil {
			return "", err
		}
	}
	if key, _ = list[len(into)].(string); key == "" {
		return "", fmt.Errorf("%v names no source", row)
	}
	return key, nil
}

func number(value any, into *float64) error {
	switch v := value.(type) {
	case float64:
		*into = v
	case int64:
		*into = float64(v)
	default:
		return fmt.Errorf("%v is not a number", v)
	}
	return nil
}

// UnmarshalTOML reads the conditions of a window, each with the lowest efficiency in %.
func (n *Needs) UnmarshalTOML(rows any) error {
	lowest, _ := rows.(map[string]any)
	for name, percent := range lowest {
		need := Need{Condition: Condition(name)}
		if !slices.Contains([]Condition{Purified, Divided, Buffered, RightDensity, RightTemperature}, need.Condition) {
			return fmt.Errorf("unknown condition %s", name)
		}
		if err := number(percent, &need.Lowest); err != nil {
			return err
		}
		need.Lowest /= 100
		*n = append(*n, need)
	}
	slices.SortFunc(*n, func(a, b Need) int {
		return cmp.Or(cmp.Compare(a.Lowest, b.Lowest), cmp.Compare(a.Condition, b.Condition))
	})
	return nil
}
