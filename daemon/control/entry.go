package control

import (
	"errors"
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

// OfLiquid says whether what was discarded is of the bath, and not a deposit or a plate.
func (e Entry) OfLiquid() bool {
	what := strings.ToLower(e.Words["what"])
	return slices.ContainsFunc([]string{"lyte", "bath", "liquid", "solution"}, func(word string) bool { return strings.Contains(what, word) })
}

// Check says whether an entry is of a kind that a person writes, and has the figure that it is made for.
func (e Entry) Check() error {
	k, found := KindOfEntry(e.Kind)
	if !found {
		return BadRequest("an entry of kind %s cannot be entered by hand; the kinds are %s", e.Kind, strings.Join(kindNames(), ", "))
	}
	var wrong []error
	numbers, words := map[string]bool{}, map[string]bool{}
	for _, f := range k.Fields {
		words[f.Name] = len(f.Units) == 0
		if word, ok := e.Words[f.Name]; ok {
			if err := f.allows(word); err != nil {
				return err
			}
		}
		for _, u := range f.Units {
			numbers[u.Log], numbers[u.doubt()] = true, true
			if x, given := e.Numbers[u.Log]; given {
				if err := f.possible(u, x); err != nil {
					wrong = append(wrong, err)
				}
			}
			if half := e.Numbers[u.doubt()]; half < 0 {
				wrong = append(wrong, BadRequest("%s: a ± of %g is below zero", f.Name, half))
			}
		}
	}
	for name, x := range e.Numbers {
		if !numbers[name] {
			return BadRequest("an entry of kind %s has no quantity %q", e.Kind, name)
		}
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return BadRequest("%s of %g is not a number", name, x)
		}
	}
	if wrong != nil {
		return BadRequest("%w", errors.Join(wrong...))
	}
	for name := range e.Words {
		if !words[name] {
			return BadRequest("an entry of kind %s has no text %q", e.Kind, name)
		}
	}
	has := func(name string) bool {
		_, ok := e.Numbers[name]
		return ok
	}
	if k.AnyOf != nil && !slices.ContainsFunc(k.AnyOf, has) {
		return BadRequest("an entry of the kind %s needs %s", e.Kind, strings.Join(k.AnyOf, " or "))
	}
	if e.Kind == EntryDiscarded && e.OfLiquid() && !has(bath.LiquidVolume) {
		return BadRequest("how much of the %s was discarded? Write its volume, such as volume=0.4 L: else the ledger still counts it", e.Words["what"])
	}
	if e.Kind == runlog.EntrySettle {
		return e.checkGap()
	}
	return nil
}

// checkGap says whether an entry settles a gap by three charges or by a time.
func (e Entry) checkGap() error {
	const form = `write it as: settle gap=0 "low=0 C" "best=300 C" "high=310 C", or as: settle gap=0 off=02:10`
	n, timed := e.Numbers, e.Words[GapOff] != ""
	index, found := n[GapIndex]
	switch {
	case !found || index != math.Trunc(index) || index < 0:
		return BadRequest("gap %g is not a gap number; %s", index, form)
	case timed && len(n) > 1:
		return BadRequest("give off or low, best and high, not both; %s", form)
	case !timed && len(n) != 4: // a ± would be a fifth
		return BadRequest("give low, best and high, each as one charge; %s", form)
	case !(n["low"] <= n["best"] && n["best"] <= n["high"]):
		return BadRequest("low, best and high must be in ascending order")
	}
	return nil
}

// possible refuses a figure in SI units that nothing can have, however certain somebody is.
func (f EntryField) possible(u EntryUnit, x float64) error {
	has := ""
	switch {
	case u.Dimension == quantity.Temperature && !(x > 0):
		has = "above " + quantity.Format(u.Dimension, 0)
	case u.Dimension == quantity.Fraction && !(x >= 0 && x <= 1):
		has = "from 0 % to 100 %"
	case f.Sign == "above zero" && !(x > 0):
		has = "above zero"
	case f.Sign == "" && !(x >= 0):
		has = "zero or above"
	default:
		return nil
	}
	return BadRequest("%s of %s is not possible: it has to be %s, such as %s=%s", f.Name, quantity.Short(u.Dimension, x, 4), has, f.Name, f.Example)
}

// allows refuses a word that the field cannot have.
func (f EntryField) allows(word string) error {
	if f.Choices == nil || slices.Contains(f.Choices, word) {
		return nil
	}
	return BadRequest("%s %q is not one of %s", f.Name, word, strings.Join(f.Choices, ", "))
}

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
