package control

import (
	"maps"
	"math"
	"regexp"
	"slices"
	"strings"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
)

// currency is a code of ISO 4217 by its form.
var currency = regexp.MustCompile(`^[A-Z]{3}$`)

// Plausible refuses figures that no certainty can make true: of a run that began when it did, read with an
// ammeter of that offset in A.
func (e Entry) Plausible(now, began time.Time, offset float64) error {
	n := e.Numbers
	largest := math.Max(10*offset, 0.05)
	switch {
	case e.At.After(now.Add(time.Minute)):
		return BadRequest("%s is in the future; give the time of the observation", e.At.Local().Format(time.DateTime))
	case !e.At.IsZero() && e.At.Before(began.Add(-7*24*time.Hour)):
		return BadRequest("%s is more than a week before the run started, %s", e.At.Local().Format(time.DateTime), began.Local().Format(time.DateTime))
	case e.Kind == runlog.EntryZero && !(math.Abs(n["amperes"]) <= largest):
		return BadRequest("a zero of %.3g A is not plausible for this supply (at most %.3g A); enter what the ammeter shows with no current", n["amperes"], largest)
	case e.Kind == runlog.EntryCheck && !(n["factor"] >= 0.8 && n["factor"] <= 1.25):
		return BadRequest("a correction of %.4g is not plausible: true current over reading is within 20 %% of 1, such as 1.002", n["factor"])
	case e.Kind == EntryCost && !currency.MatchString(e.Words["currency"]):
		return BadRequest("give the currency as three capital letters, such as EUR, not %q", e.Words["currency"])
	}
	if ph, ok := n[bath.EnteredPH]; ok && !(ph >= -2 && ph <= 16) {
		return BadRequest("a pH of %.3g is not possible; give -2 to 16", ph)
	}
	return nil
}

// LogFields are what the log keeps of an entry besides kind and text.
func (e Entry) LogFields() []runlog.Field {
	fields := []runlog.Field{runlog.Text("by", e.By)}
	if !e.At.IsZero() {
		fields = append(fields, runlog.Integer("happened", e.At.UnixNano()))
	}
	if e.Certain {
		fields = append(fields, runlog.Flag("certain", true))
	}
	for _, name := range slices.Sorted(maps.Keys(e.Numbers)) {
		f := runlog.Number(name, e.Numbers[name])
		if e.Kind == runlog.EntrySettle && name == GapIndex {
			f = runlog.Integer(name, int64(e.Numbers[name]))
		}
		fields = append(fields, f)
	}
	for _, name := range slices.Sorted(maps.Keys(e.Words)) {
		fields = append(fields, runlog.Text(name, e.Words[name]))
	}
	return fields
}

// EntryOf reads back what LogFields wrote of an entry, or the log itself.
func EntryOf(r *runlog.Record) Entry {
	e := Entry{Cell: r.Cell, Kind: r.Text("kind"), By: r.Text("by"), Text: r.Text("text"), At: r.Time(), Certain: r.Flag("certain"), Numbers: map[string]float64{}, Words: map[string]string{}}
	if at, ok := r.Integer("happened"); ok {
		e.At = time.Unix(0, at).UTC()
	}
	for _, f := range r.Fields {
		switch v := f.Value.(type) {
		case float64:
			e.Numbers[f.Key] = v
		case int64:
			if f.Key == GapIndex {
				e.Numbers[f.Key] = float64(v)
			}
		case string:
			if f.Key != "kind" && f.Key != "by" && f.Key != "text" {
				e.Words[f.Key] = v
			}
		}
	}
	return e
}

// Booking is the part of an entry that the bath knows.
func (e Entry) Booking() bath.Entry {
	return bath.Entry{Kind: e.Kind, By: e.By, Numbers: e.Numbers, Words: e.Words}
}

// Said writes what an entry says as it was given, in handy units.
func (e Entry) Said() string {
	var said []string
	add := func(name, value string) { said = append(said, strings.TrimSpace(name+" "+value)) }
	k, _ := KindOfEntry(e.Kind)
	if e.Kind == EntryChecklist { // an item needs no names of fields
		add(e.Words["item"]+":", strings.ReplaceAll(e.Words["choice"], "-", " "))
		k.Fields = nil
	}
	for _, f := range k.Fields {
		for _, u := range f.Units {
			x, ok := e.Numbers[u.Log]
			if !ok {
				continue
			}
			value := quantity.Short(u.Dimension, x, 7)
			if half, stated := e.Numbers[u.doubt()]; stated {
				value += " ± " + quantity.HalfWidth(u.Dimension, x, half, 7)
			}
			add(f.Name, value)
		}
		if word, ok := e.Words[f.Name]; ok && f.Name != "sha256" {
			add(f.Name, word)
		}
	}
	if e.Text != "" {
		add("", e.Text)
	}
	return strings.Join(said, "; ")
}
