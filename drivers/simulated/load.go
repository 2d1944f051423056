package simulated

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"
)

// LoadScenario reads a scenario file. The error names every mistake in it, each with file, line and key.
func LoadScenario(path string) (*Scenario, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("scenario: %w", err)
	}
	return ParseScenario(path, data)
}

// ParseScenario is LoadScenario on bytes; name stands in the errors.
func ParseScenario(name string, data []byte) (*Scenario, error) {
	var raw struct {
		Scenario
		Event []toml.Primitive `toml:"event"`
	}
	meta, err := toml.Decode(string(data), &raw)
	if err != nil {
		line, text := whereIn(err, 1)
		return nil, fmt.Errorf("%s:%d: %s", name, line, text)
	}
	m := &mistakes{name: name, lines: places(string(data))}
	s := raw.Scenario
	for n, p := range raw.Event {
		s.Events = append(s.Events, m.event(meta, n, p))
	}
	m.unknown(meta.Undecoded())
	m.sections(&s)
	return &s, m.err()
}

// whereIn tells an error of the TOML library by its line and what it says; missing is the line if it names none.
func whereIn(err error, missing int) (line int, text string) {
	if p, ok := errors.AsType[toml.ParseError](err); ok {
		return p.Position.Line, p.Message
	}
	text = strings.TrimPrefix(err.Error(), "toml: ")
	if _, scan := fmt.Sscanf(text, "line %d ", &line); scan == nil {
		if _, after, ok := strings.Cut(text, "): "); ok {
			text = after
		}
		return line, text
	}
	return missing, text
}

// mistakes collects what is wrong with one file.
type mistakes struct {
	name  string
	lines map[string]int // of every key and table, as places has them
	found []mistake
}

type mistake struct {
	line int
	text string
}

func (m *mistakes) add(line int, key, format string, a ...any) {
	m.found = append(m.found, mistake{line, fmt.Sprintf("%s:%d: %s: %s", m.name, line, key, fmt.Sprintf(format, a...))})
}

func (m *mistakes) err() error {
	slices.SortStableFunc(m.found, func(a, b mistake) int { return cmp.Compare(a.line, b.line) })
	var list []error
	for _, f := range m.found {
		list = append(list, errors.New(f.text))
	}
	return errors.Join(list...)
}

// places maps the tables of a file to their lines, the n-th of a name from 0 as "event.n", and every key, as "event.n.ohms"; a key before the
// first table as "..name".
func places(text string) map[string]int {
	lines, seen, table := map[string]int{}, map[string]int{}, "."
	for n, line := range strings.Split(text, "\n") {
		line = strings.TrimSpace(line)
		if name, ok := strings.CutPrefix(line, "["); ok {
			name, _, _ = strings.Cut(name, "]")
			name = strings.Trim(name, "[ \t")
			table = fmt.Sprintf("%s.%d", name, seen[name])
			seen[name]++
			lines[table] = n + 1
			for parent := name; parent != ""; parent = parent[:max(0, strings.LastIndexByte(parent, '.'))] { // a table that nobody knows may begin with one in it
				lines["in "+parent] = cmp.Or(lines["in "+parent], n+1)
			}
		} else if key, _, ok := strings.Cut(line, "="); ok {
			lines[table+"."+strings.TrimSpace(key)] = n + 1
		}
	}
	return lines
}

// line finds where a key stands: in the index-th table of that name, or the table's own line if the key is missing.
func (m *mistakes) line(table string, index int, key string) int {
	at := "."
	if table != "" {
		at = fmt.Sprintf("%s.%d", table, index)
	}
	return cmp.Or(m.lines[at+"."+key], m.lines[at], 1)
}

// unknown reports the keys that a scenario does not have; of a table that it does not have, the table alone.
func (m *mistakes) unknown(keys []toml.Key) {
	sections := map[string]any{"supply": Begin{}, "cell": Bath{}}
	reported := map[string]bool{}
	for _, k := range keys {
		if k[0] == "event" {
			continue // judged with its kind
		}
		table, key, known := "", k[0], append(tags(Scenario{}), "event")
		if section, ok := sections[k[0]]; ok && len(k) > 1 {
			table, key, known = k[0], k[1], tags(section)
		}
		full := strings.TrimPrefix(table+"."+key, ".")
		if reported[full] {
			continue
		}
		reported[full] = true
		m.add(cmp.Or(m.lines["in "+full], m.line(table, 0, key)), full, "is not a key of a scenario; choose from %s", strings.Join(known, ", "))
	}
}

// tags lists the keys of a section.
func tags(section any) (list []string) {
	for _, field := range reflect.VisibleFields(reflect.TypeOf(section)) {
		if tag := field.Tag.Get("toml"); tag != "-" && !field.Anonymous {
			list = append(list, tag)
		}
	}
	return list
}

// general are the keys that every kind takes.
var general = []string{"kind", "at", "lasts", "repeat", "times", "jitter", "vary", "channel", "note"}

// event decodes one event against its kind.
func (m *mistakes) event(meta toml.MetaData, n int, p toml.Primitive) Event {
	at := func(key string) int { return m.line("event", n, key) }
	var keys map[string]any
	var named struct {
		Kind string `toml:"kind"`
	}
	if err := meta.PrimitiveDecode(p, &keys); err != nil {
		m.add(at(""), "event", "%v", err)
		return Event{}
	}
	_ = meta.PrimitiveDecode(p, &named) // a kind that is no string stays empty, and is reported as unknown
	kind, err := kindNamed(named.Kind)
	if err != nil {
		m.add(at("kind"), "kind", "%v", err)
		return Event{}
	}
	e := kind.defaults
	if err := meta.PrimitiveDecode(p, &e); err != nil {
		line, text := whereIn(err, at(""))
		m.add(line, kind.Name, "%s", text)
		return Event{}
	}
	known := append(slices.Clone(general), kind.Keys...)
	for key := range keys {
		if !slices.Contains(known, key) {
			m.add(at(key), key, "is not a parameter of %s; it takes %s", kind.Name, strings.Join(known, ", "))
		}
	}
	for _, key := range append([]string{"at"}, kind.Required...) {
		if _, ok := keys[key]; !ok {
			m.add(at(""), key, "is missing; %s needs it", kind.Name)
		}
	}
	e.Channel = cmp.Or(e.Channel, 1)
	m.judge(kind, e, at)
	return e
}

// judge checks the values of one event.
func (m *mistakes) judge(k Kind, e Event, at func(string) int) {
	bad := func(wrong bool, key, format string, a ...any) {
		if wrong {
			m.add(at(key), key, format, a...)
		}
	}
	bad(k.momentum && e.Lasts > 0, "lasts", "%s happens at an instant; leave it out", k.Name)
	bad(e.Times < 0, "times", "%d is negative", e.Times)
	bad(e.Times > 0 && e.Repeat == 0, "times", "needs repeat, the time from one beginning to the next")
	bad(e.Repeat > 0 && e.Lasts >= e.Repeat, "lasts", "%v is not shorter than repeat, %v", e.Lasts.duration(), e.Repeat.duration())
	bad(e.Repeat > 0 && e.Lasts == 0 && !k.momentum, "lasts", "is missing; %s that repeats must end first", k.Name)
	bad(e.Repeat > 0 && e.Repeat.seconds() < 1, "repeat", "%v is too often; at least 1 s", e.Repeat.duration())
	bad(!(e.Vary >= 0 && e.Vary < 1), "vary", "%g must lie from 0 to below 1", e.Vary)
	bad(e.Channel < 1 || e.Channel > MostChannels, "channel", "%d must lie from 1 to %d", e.Channel, MostChannels)
	bad(!(e.Chance >= 0 && e.Chance <= 1), "chance", "%g must lie from 0 to 1", e.Chance)
	choice := func(key, value string, allowed ...string) {
		bad(value != "" && !slices.Contains(allowed, value), key, "%q is none of %s", value, strings.Join(allowed, ", "))
	}
	choice("output", e.Output, "on", "off")
	choice("protection", e.Protection, tripNames...)
	choice("back", e.Back, "off", "reset", "last")
	choice("value", e.Value, "not-a-number", "overflow", "negative-overflow")
	negative := map[string]float64{
		"ohms": e.Ohms, "ohms_per_hour": e.OhmsPerHour, "watts": e.Watts, "factor": e.Factor, "noise": e.Noise,
		"grams": e.Grams, "litres": e.Litres, "litres_per_hour": e.LitresPerHour,
	}
	for key, v := range negative {
		bad(!(v >= 0 && v <= 1e9), key, "%g must be a number from 0 up", v)
	}
	for key, v := range map[string]float64{"volts": given(e.Volts, 0), "amperes": given(e.Amperes, 0), "kelvin": e.Kelvin} {
		bad(!(math.Abs(v) <= 1e3), key, "%g must be a number from -1000 to 1000", v)
	}
	bad(slices.Contains(k.Keys, "interval") && e.Interval.seconds() < 0.1, "interval", "%v is too short; at least 100 ms", e.Interval.duration())
	bad((k.Name == "hard-short" || k.Name == "whisker") && e.Ohms == 0, "ohms", "must be above 0; an ideal short is 0.001")
}

// sections checks the tables that are not events.
func (m *mistakes) sections(s *Scenario) {
	bad := func(wrong bool, table, key, format string, a ...any) {
		if wrong {
			m.add(m.line(table, 0, key), table+"."+key, format, a...)
		}
	}
	bad(!slices.Contains([]string{"", "on", "off"}, s.Supply.Output), "supply", "output", "%q is neither on nor off", s.Supply.Output)
	bad(!slices.Contains([]string{"", "zinc", "copper"}, s.Cell.Metal), "cell", "metal", "%q is neither zinc nor copper", s.Cell.Metal)
	bad(!(s.Cell.Spread >= 0 && s.Cell.Spread <= 0.5), "cell", "spread", "%g must lie from 0 to 0.5", s.Cell.Spread)
	for table, section := range map[string]any{"supply": s.Supply, "cell": s.Cell} {
		for field, v := range reflect.ValueOf(section).Fields() {
			p, ok := v.Interface().(*float64)
			if !ok || p == nil {
				continue
			}
			switch key := field.Tag.Get("toml"); key {
			case "celsius":
				bad(!(*p >= -10 && *p < 100), table, key, "%g must be the temperature of a liquid bath, from -10 to below 100", *p)
			case "offset_amperes", "gain_amperes":
				bad(!(math.Abs(*p) <= 1e3), table, key, "%g must be a number from -1000 to 1000", *p)
			default:
				bad(!(*p >= 0 && *p <= 1e9), table, key, "%g must be a number from 0 up", *p)
			}
		}
	}
}
