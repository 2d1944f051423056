package control

import (
	"cmp"
	_ "embed" // the table of the kinds
	"math"
	"slices"
	"strings"
	"sync"

	"github.com/BurntSushi/toml"

	"nightcell/configs/quantity"
)

// Names in the log that the account of a run looks for.
const (
	EntryPhoto    = "photo"
	EntryStripped = "stripped" // an electrode carries nothing any more
	EntryCost     = "cost"
	CostAmount    = "amount"
	GapIndex      = "index" // of the gap that is settled
	GapOff        = "off"   // in place of its charges: the output was off from this time of day, 02:10 at the daemon, or RFC 3339, to its end
)

// Names of entries and words that the checklist of the end is made from: see daemon/finish.
const (
	EntryChecklist = "checklist"
	EntryIdentity  = "identity"
	EntryDiscarded = "discarded"
	ItemDone       = "done"
	ItemLeftOut    = "left-out"
)

// EntryKind says what may be written with one kind of entry, on the command line, through the socket and on the page alike.
type EntryKind struct {
	Name   string
	About  string
	Fields []EntryField
	// AnyOf are names in the log of which an entry needs one: nought is a figure too, and an assay that
	// found nothing is another thing than one that nobody wrote down.
	AnyOf     []string `toml:"any_of"`
	NeedsText bool     `toml:"needs_text"` // the text is what the entry is about
	Bare      bool     // it says enough by itself
	// Desk says that it takes the command line beside the data: a file to copy, or an entry to find.
	Desk bool
}

// EntryField is a quantity of one of several dimensions, or a word if there are none.
type EntryField struct {
	Name     string // as it is written: NAME=VALUE
	Label    string
	Example  string
	Required bool
	Choices  []string // the words that a field without units may have; nil: any
	Sign     string   // which figures are possible at all: "any", "above zero"; empty: zero and above
	Units    []EntryUnit
}

// EntryUnit is one dimension of a field and the field's name in the log, SI unit last.
type EntryUnit struct {
	Dimension quantity.Dimension `toml:"of"`
	Log       string
}

//go:embed kinds.toml
var kindsText string

// EntryKinds lists the kinds that a person may write, in the order in which they are offered. Nobody may change the list.
var EntryKinds = sync.OnceValue(func() []EntryKind {
	var all struct{ Kind []EntryKind }
	_, _ = toml.Decode(kindsText, &all) // TestKinds reads it too
	return all.Kind
})

// KindOfEntry finds a kind by its name.
func KindOfEntry(name string) (EntryKind, bool) {
	kinds := EntryKinds()
	i := slices.IndexFunc(kinds, func(k EntryKind) bool { return k.Name == name })
	if i < 0 {
		return EntryKind{}, false
	}
	return kinds[i], true
}

// kindNames lists the names of the kinds.
func kindNames() (names []string) {
	for _, k := range EntryKinds() {
		names = append(names, k.Name)
	}
	return names
}

// FieldNames lists what may be written with a kind.
func (k EntryKind) FieldNames() string {
	var names []string
	for _, f := range k.Fields {
		names = append(names, f.Name)
	}
	return cmp.Or(strings.Join(names, ", "), "a text only")
}

// ParseEntry reads the values of one kind into SI units. Its errors are mistakes of who wrote them.
func ParseEntry(kind string, values map[string]string, text string) (Entry, error) {
	k, found := KindOfEntry(kind)
	if !found {
		return Entry{}, BadRequest("there is no entry of kind %q; the kinds are %s", kind, strings.Join(kindNames(), ", "))
	}
	e := Entry{Kind: kind, Text: text, Numbers: map[string]float64{}, Words: map[string]string{}}
	for name := range values {
		if !slices.ContainsFunc(k.Fields, func(f EntryField) bool { return f.Name == name }) {
			return Entry{}, BadRequest("an entry of kind %s has no %q; it has: %s", kind, name, k.FieldNames())
		}
	}
	for _, f := range k.Fields {
		value, given := values[f.Name]
		switch {
		case !given && f.Required:
			return Entry{}, BadRequest("an entry of kind %s needs %s; write %s=%s", kind, f.Name, f.Name, f.Example)
		case !given:
		case len(f.Units) == 0:
			if err := f.allows(value); err != nil {
				return Entry{}, err
			}
			e.Words[f.Name] = value
		default:
			if err := f.parse(value, e.Numbers); err != nil {
				return Entry{}, BadRequest("%s: %v", f.Name, err)
			}
		}
	}
	for _, of := range []string{"amperes", "factor"} { // of a zero or check; a ± is a half-width (JCGM 100, 4.3.7)
		if half, stated := e.Numbers[of+"_plus_minus"]; stated && values["uncertainty"] == "" {
			e.Numbers["standard_uncertainty"] = half / math.Sqrt(3)
			delete(e.Numbers, of+"_plus_minus")
		}
	}
	switch {
	case text != "" || k.Bare:
	case k.NeedsText:
		return Entry{}, BadRequest("an entry of kind %s needs a text", kind)
	case len(values) == 0:
		return Entry{}, BadRequest("the entry is empty; give a text or values (%s)", k.FieldNames())
	}
	return e, e.Check()
}

// parse reads a quantity into numbers, with its uncertainty if it states one.
func (f EntryField) parse(s string, numbers map[string]float64) error {
	dimensions := make([]quantity.Dimension, len(f.Units))
	for i, u := range f.Units {
		dimensions[i] = u.Dimension
	}
	v, err := quantity.ParseAny(s, dimensions...)
	if err != nil {
		return err
	}
	for _, u := range f.Units {
		if u.Dimension != v.Dimension {
			continue
		}
		numbers[u.Log] = v.SI
		if !math.IsNaN(v.PlusMinus) {
			numbers[u.doubt()] = v.PlusMinus
		}
	}
	return nil
}

// doubt is the name in the log of what was written after ±.
func (u EntryUnit) doubt() string {
	about, unit, _ := strings.Cut(u.Log, "_")
	return strings.TrimSuffix(about+"_plus_minus_"+unit, "_")
}
