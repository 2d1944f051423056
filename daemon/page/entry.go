package page

import (
	"net/url"
	"slices"
	"strings"

	"nightcell/daemon/control"
	"nightcell/daemon/page/sentence"
)

// kindOf finds a kind of entry by name; an unknown one is a remark.
func kindOf(name string) control.EntryKind {
	if k, found := control.KindOfEntry(name); found && !k.Desk {
		return k
	}
	return control.EntryKinds()[0]
}

// offered are the kinds that the page has a form for.
func offered() []control.EntryKind {
	return slices.DeleteFunc(control.EntryKinds(), func(k control.EntryKind) bool { return k.Desk })
}

// entryOf reads a filled-in form.
func entryOf(k control.EntryKind, f url.Values) (control.Entry, error) {
	values := make(map[string]string)
	for _, field := range k.Fields {
		if given := strings.TrimSpace(f.Get(field.Name)); given != "" {
			values[field.Name] = given
		}
	}
	e, err := control.ParseEntry(k.Name, values, strings.TrimSpace(f.Get("text")))
	e.Certain = f.Get("certain") != ""
	return e, err
}

// entryTitle is a kind of entry as a title.
func entryTitle(k control.EntryKind) string { return sentence.Name(k.Name) }
