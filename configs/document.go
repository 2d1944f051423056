package configs

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"maps"
	"math"
	"path"
	"regexp"
	"slices"
	"strings"

	"github.com/BurntSushi/toml"

	"nightcell/configs/quantity"
)

// document is a parsed file on its way to a Config, and the mistakes found so far.
type document struct {
	name     string
	meta     toml.MetaData
	order    map[string]int // of each key in the file, by its full name
	mistakes Mistakes
	notes    Mistakes // what reads, but not for ever
	secrets  []secretFile
	draft    bool // what a plan completes may be missing
}

const (
	largest = 4 << 20 // bytes of a file; 1000 cells need less
	// enough mistakes are enough: each costs a pass through the file to find its line.
	enough = 200
)

// table is one table of a document. It remembers which keys the schema asked for:
// what is left at done is unknown, and what was asked for is what may have been meant.
type table struct {
	doc    *document
	place  toml.Key // as the TOML library knows it
	path   string   // as mistakes show it
	line   func() int
	row    bool // a table of an array, whose keys have no lines of their own
	fields map[string]toml.Primitive
	asked  []string
}

// newDocument reads the syntax; a mistake there is the only one that can be reported.
func newDocument(name string, data []byte) (*table, error) {
	if len(data) > largest {
		return nil, Mistakes{{File: name, Wrong: fmt.Sprintf("the file has more than %d bytes", largest), Remedy: fmt.Sprintf("no configuration needs more than %d; is it the right file?", largest)}}
	}
	if line, what := tooDeep(data); line > 0 {
		return nil, Mistakes{{File: name, Line: line, Wrong: what, Remedy: "no configuration needs that; is it the right file?"}}
	}
	d := &document{name: name, order: map[string]int{}}
	fields := map[string]toml.Primitive{}
	meta, err := toml.Decode(string(data), &fields)
	var syntax toml.ParseError
	switch {
	case errors.As(err, &syntax):
		return nil, Mistakes{{File: name, Line: syntax.Position.Line, Wrong: "the file is not valid TOML: " + syntax.Message}}
	case err != nil:
		return nil, Mistakes{{File: name, Wrong: "the file is not valid TOML: " + err.Error()}}
	}
	d.meta = meta
	for i, k := range meta.Keys() {
		if _, again := d.order[k.String()]; !again {
			d.order[k.String()] = i
		}
	}
	return &table{doc: d, line: func() int { return 1 }, fields: fields}, nil
}

// nowhere is decoded only to fail: the error that comes of it carries the
// position of the key, which the TOML library tells in no other way.
type nowhere struct{}

func (nowhere) UnmarshalTOML(any) error { return errors.New("position") }

// lineOf returns the line of a value. A table that exists only as part of a longer
// name, such as supply in [supply.bench], has that of the first table in it; 0 if there is none.
func (d *document) lineOf(p toml.Primitive) int {
	if at, ok := errors.AsType[toml.ParseError](d.meta.PrimitiveDecode(p, nowhere{})); ok && at.Position.Line > 0 {
		return at.Position.Line
	}
	first := 0
	for _, child := range d.children(p) {
		if line := d.lineOf(child); line > 0 && (first == 0 || line < first) {
			first = line
		}
	}
	return first
}

// children returns what is in a table; nil when p is none. The TOML library takes
// some other values for an empty table, so the kind of value is looked at first.
func (d *document) children(p toml.Primitive) map[string]toml.Primitive {
	var v any
	if err := d.meta.PrimitiveDecode(p, &v); err != nil {
		return nil
	}
	if _, ok := v.(map[string]any); !ok {
		return nil
	}
	fields := map[string]toml.Primitive{}
	if err := d.meta.PrimitiveDecode(p, &fields); err != nil {
		return nil
	}
	return fields
}

// key is the full name of a key of this table.
func (t *table) key(name string) string {
	if t.path == "" {
		return name
	}
	return t.path + "." + name
}

// renamed are the keys of a table, and the words of a key, that had another name. The earlier one reads with a note until the next version, and
// for ever in the run.toml of a run. Places are as path.Match takes them, because people name some tables.
var renamed = []struct{ in, old, new string }{
	{"route/*", "tell_answered", "report_acknowledged"},
	{"route/*", "least", "lowest_priority"},
	{"cell/*/limits", "notice_age", "delivery_lag"},
	{"cell/*/alarm", "marginal-gram", "marginal-energy"},
	{"cell/*/alarm", "notice-undeliverable", "notification-undeliverable"},
	{"cell/*/at_target", "tell", "notify"},
	{"cell/*/alarm/*/then", "tell", "notify"},
	{"supply/*/dialect", "limit_volts", "protection_volts"},
	{"supply/*/dialect", "limit_amperes", "protection_amperes"},
}

// rename gives every key of this table today's name.
func (t *table) rename() *table {
	for _, r := range renamed {
		p, written := t.fields[r.old]
		if in, _ := path.Match(r.in, strings.Join(t.place, "/")); !in || !written {
			continue
		}
		if t.has(r.new) {
			t.bad(r.old, "this is the earlier name of "+r.new+", which is given too", "keep "+r.new+" alone")
		} else {
			t.noteEarlier(r.old, t.key(r.old), r.new)
			t.fields[r.new] = p
		}
		delete(t.fields, r.old)
	}
	return t
}

// today is the word that a key has for an earlier one.
func (t *table) today(name, word string) string {
	for _, r := range renamed {
		if in, _ := path.Match(r.in, strings.Join(append(slices.Clone(t.place), name), "/")); in && word == r.old {
			t.noteEarlier(name, t.key(name), r.new)
			return r.new
		}
	}
	return word
}

func (t *table) noteEarlier(name, key, today string) {
	t.doc.notes = append(t.doc.notes, Mistake{File: t.doc.name, Line: t.lineOf(name), Key: key, Wrong: "this is an earlier name", Remedy: "write " + today + " before the next version"})
}

// has reports whether the key is written in the file, without counting as asking for it.
func (t *table) has(name string) bool {
	_, ok := t.fields[name]
	return ok
}

// find looks a key up and notes that the schema knows it.
func (t *table) find(name string) (toml.Primitive, bool) {
	if !slices.Contains(t.asked, name) {
		t.asked = append(t.asked, name)
	}
	p, ok := t.fields[name]
	return p, ok
}

// raw returns the value of a key as the TOML library made it.
func (t *table) raw(name string) (any, bool) {
	p, ok := t.find(name)
	if !ok {
		return nil, false
	}
	var v any
	if err := t.doc.meta.PrimitiveDecode(p, &v); err != nil {
		t.bad(name, err.Error(), "")
		return nil, false
	}
	return v, true
}

// bad notes a mistake at a key of this table; for a key that is not written, at the table.
func (t *table) bad(name, wrong, remedy string) {
	switch n := len(t.doc.mistakes); {
	case n == enough:
		t.doc.mistakes = append(t.doc.mistakes, Mistake{File: t.doc.name, Line: math.MaxInt, Wrong: "there are more mistakes than these", Remedy: "fix these first"})
		return
	case n > enough:
		return
	}
	line := t.lineOf(name)
	key := t.path
	if name != "" {
		key = t.key(name)
	}
	t.doc.mistakes = append(t.doc.mistakes, Mistake{File: t.doc.name, Line: line, Key: key, Wrong: wrong, Remedy: remedy})
}

// sub returns a table within this one; nil when it is not written.
func (t *table) sub(name string) *table {
	p, ok := t.find(name)
	if !ok {
		return nil
	}
	fields := t.doc.children(p)
	if fields == nil {
		t.bad(name, "this must be a table", "write ["+t.key(name)+"] and its keys below")
		return nil
	}
	return t.child(name, fields)
}

// child is the table called name in this one.
func (t *table) child(name string, fields map[string]toml.Primitive) *table {
	sub := &table{doc: t.doc, place: append(t.place[:len(t.place):len(t.place)], name), path: t.key(name), fields: fields,
		line: func() int { return t.lineOf(name) }}
	return sub.rename()
}

// lineOf is the line of a key; of a key that is not written, that of the table. It is
// asked for mistakes alone, because each answer costs a pass through the file.
func (t *table) lineOf(name string) int {
	if p, ok := t.fields[name]; ok && !t.row {
		if line := t.doc.lineOf(p); line > 0 {
			return line
		}
	}
	return t.line()
}

// orEmpty returns a table that exists even if nothing is written in it.
func (t *table) orEmpty(name string) *table {
	if v := t.sub(name); v != nil {
		return v
	}
	return t.child(name, nil)
}

// named is a table with the name that the user gave it.
type named struct {
	name string
	*table
}

// each returns the tables below [name.*], in the order of the file.
func (t *table) each(name string) []named {
	parent := t.sub(name)
	if parent == nil {
		return nil
	}
	var all []named
	for _, k := range parent.names() {
		if v := parent.sub(k); v != nil {
			all = append(all, named{k, v})
		}
	}
	return all
}

// names lists the keys written in this table, in the order of the file.
func (t *table) names() []string {
	rank := func(name string) int { return t.doc.order[append(t.place[:len(t.place):len(t.place)], name).String()] }
	return slices.SortedFunc(maps.Keys(t.fields), func(a, b string) int {
		return cmp.Or(rank(a)-rank(b), strings.Compare(a, b))
	})
}

// list returns the tables of an array such as salts = [{…}, {…}]. The TOML library keeps
// one position for each key of an array, so mistakes in it are reported at the array's line.
func (t *table) list(name string) []*table {
	p, ok := t.find(name)
	if !ok {
		return nil
	}
	var items []toml.Primitive
	err := t.doc.meta.PrimitiveDecode(p, &items)
	rows := make([]map[string]toml.Primitive, len(items))
	for i := range items {
		rows[i] = t.doc.children(items[i])
	}
	if err != nil || slices.ContainsFunc(rows, func(r map[string]toml.Primitive) bool { return r == nil }) {
		t.bad(name, "this must be a list of tables", "write it as in "+name+` = [{ formula = "ZnSO4·7H2O", mass = "250 g" }]`)
		return nil
	}
	all := make([]*table, len(rows))
	for i, row := range rows {
		all[i] = &table{doc: t.doc, place: append(t.place[:len(t.place):len(t.place)], name), path: fmt.Sprintf("%s[%d]", t.key(name), i+1), fields: row, row: true,
			line: func() int { return t.lineOf(name) }}
	}
	return all
}

// done notes every key that the schema did not ask for.
func (t *table) done() {
	for _, k := range t.names() {
		if len(t.doc.mistakes) > enough {
			return
		}
		if slices.Contains(t.asked, k) {
			continue
		}
		remedy := "choose from " + strings.Join(slices.Sorted(slices.Values(t.asked)), ", ")
		if meant := quantity.Nearest(k, t.asked); meant != "" {
			remedy = fmt.Sprintf("is '%s' meant?", meant)
		}
		t.bad(k, "there is no such key", remedy)
	}
}

// defaultListen is where the page is served when the file does not say. Other such values stand where a key is read, the starting values of the alarms'
// limits and delays in package alerts, and those of the SCPI dialect in drivers/scpi.
const defaultListen = "127.0.0.1:9648"

// deepest is how many parts a key may have, and how many brackets may be open in a line. The TOML library takes
// time that grows with the square of the first, and a place on the stack for each of the second.
const deepest = 16

// longKey is a key with more parts than that, plain or quoted.
var longKey = regexp.MustCompile(fmt.Sprintf(`((?:[A-Za-z0-9_-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){%d}`, deepest))

// tooDeep returns the first line that is nested deeper than a configuration can be, and in what; 0 when none is.
func tooDeep(data []byte) (line int, what string) {
	for text := range bytes.Lines(data) {
		line++
		if bytes.HasPrefix(bytes.TrimSpace(text), []byte("#")) {
			continue
		}
		if bytes.Count(text, []byte(".")) >= deepest && longKey.Match(text) {
			return line, fmt.Sprintf("a key of more than %d parts", deepest)
		}
		open := 0
		for _, c := range text {
			switch c {
			case '[', '{':
				if open++; open > deepest {
					return line, fmt.Sprintf("more than %d brackets within each other", deepest)
				}
			case ']', '}':
				open = max(open-1, 0)
			}
		}
	}
	return 0, ""
}
