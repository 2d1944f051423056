// Package finish is the checklist of the morning after: what a run asks for from the last ampere to the stored deposit, in which
// order, and how each item stands. The entries that count are all there is of its state, so that it is taken up from any place
// and a kill loses and doubles nothing.
package finish

import (
	"cmp"
	"context"
	"fmt"
	"maps"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/configs/quantity"
	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/late"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// Subject is what the checklist of a run follows from.
type Subject struct {
	Dir, Run, Cell string     // Run is the name of its folder
	Plan           *bath.Plan // nil: no bath is stated, or it cannot be read; the account says which
	Divided        bool
	HoldAmperes    float64 // NaN: not stated
	Ended          bool    // so that the output is off
	End            time.Time
	Entries        []control.Entry // of persons, that count, by their time
}

// Read reads the run in a directory.
func Read(runDir string) (*Subject, error) {
	tail, err := runlog.TailOf(runDir)
	if err != nil {
		return nil, err
	}
	all, err := runlog.PersonsEntries(runDir)
	if err != nil {
		return nil, err
	}
	s := &Subject{Dir: runDir, Run: filepath.Base(runDir), Cell: tail.Cell, Ended: tail.Ended, End: time.Unix(0, tail.LastNanos).UTC(), HoldAmperes: math.NaN()}
	for _, r := range runlog.Counting(all) {
		s.Entries = append(s.Entries, control.EntryOf(&r))
	}
	slices.SortStableFunc(s.Entries, func(a, b control.Entry) int { return a.At.Compare(b.At) })
	cell, plan, _ := books.Frozen(runDir, tail.Cell)
	if s.Plan = plan; cell != nil {
		s.Divided, s.HoldAmperes = cell.Divided(), cell.HoldAmperes
	}
	return s, nil
}

// Hand hands an answer on as late.Hand does. A dried mass carries its time, since the one after may be equal to it.
func (s *Subject) Hand(ctx context.Context, watch *control.Operator, e control.Entry, now time.Time) (control.Entered, error) {
	e.Cell = s.Cell
	if e.Kind == bath.EntryDried {
		if e.At = now; !now.After(s.End) { // a run on a fast clock
			e.At = s.End.Add(time.Second)
		}
	}
	done, _, err := late.Hand(ctx, watch, s.Dir, e, now)
	return done, err
}

// State is how an item stands.
type State string

// The states.
const (
	Open    State = "open"
	Done    State = "done"
	LeftOut State = "left-out"
)

// Item is one thing to do.
type Item struct {
	Name, Title string
	Text        []string // what to do, in sentences
	Source      string   // of the text, where it is of the table of metals
	Kind        control.EntryKind
	Ask         []string          // fields of Kind that are asked for
	First       bool              // the first field answers for the others
	Preset      map[string]string // fields that follow from the item
	Choices     []Choice
	Act         string // what the daemon can do for it where that is permitted: hold, off
	Optional    bool
	State       State
	By          *control.Entry // that settled it; nil: open, or the log did
}

// Choice is one way of doing an item.
type Choice struct{ Name, Text string }

// HandOver is the choice that is entered as what was discarded.
const HandOver = "hand-over"

// Field finds what is known of a field of the item.
func (i *Item) Field(name string) control.EntryField {
	at := slices.IndexFunc(i.Kind.Fields, func(f control.EntryField) bool { return f.Name == name })
	return i.Kind.Fields[at]
}

// Needs says whether the item waits for figures or words besides a choice.
func (i *Item) Needs() bool { return len(i.Ask) > 0 }

// Said is what was entered beyond that it is done.
func (i Item) Said() string {
	switch {
	case i.By == nil:
		return ""
	case i.By.Kind != control.EntryChecklist:
		return i.By.Said()
	case i.By.Words["choice"] == control.ItemDone || i.By.Words["choice"] == control.ItemLeftOut:
		return i.By.Text
	}
	return strings.TrimSpace(i.By.Words["choice"] + " " + i.By.Text)
}

// Answer makes the entry that settles an item. choice is empty, one of Choices, or control.ItemLeftOut, which needs its reason as text. Errors
// are mistakes of who answered.
func (i *Item) Answer(choice string, values map[string]string, text string) (control.Entry, error) {
	given := map[string]string{}
	maps.Copy(given, i.Preset)
	maps.Copy(given, values)
	offered := slices.ContainsFunc(i.Choices, func(c Choice) bool { return c.Name == choice })
	switch {
	case choice == control.ItemLeftOut && strings.TrimSpace(text) == "":
		return control.Entry{}, control.BadRequest("give the reason for leaving it out")
	case choice == control.ItemLeftOut:
	case choice != "" && !offered || choice == "" && i.Choices != nil:
		return control.Entry{}, control.BadRequest("%q is not an answer here", choice)
	case choice == HandOver || i.Choices == nil && i.Kind.Name != control.EntryChecklist:
		return control.ParseEntry(i.Kind.Name, given, text)
	}
	return control.ParseEntry(control.EntryChecklist, map[string]string{"item": i.Name, "choice": cmp.Or(choice, control.ItemDone)}, text)
}

// Items lists the checklist in the order in which it is done.
func (s *Subject) Items() []Item {
	var items []Item
	for _, name := range s.order() {
		i := s.item(name)
		i.Name, i.State = name, Open
		if i.Kind.Name == "" {
			i.Kind = kind(control.EntryChecklist)
		}
		s.settle(&i)
		i.Text = slices.DeleteFunc(i.Text, func(line string) bool { return line == "" })
		items = append(items, i)
	}
	return items
}

// Next is the first item that is open, those that are optional last; nil: all is done.
func Next(items []Item) *Item {
	for _, optional := range []bool{false, true} {
		if at := slices.IndexFunc(items, func(i Item) bool { return i.State == Open && i.Optional == optional }); at >= 0 {
			return &items[at]
		}
	}
	return nil
}

// Complete says whether nothing is open but what is optional.
func Complete(items []Item) bool {
	return !slices.ContainsFunc(items, func(i Item) bool { return i.State == Open && !i.Optional })
}

// settle finds out how an item stands.
func (s *Subject) settle(i *Item) {
	var dried []control.Entry
	for n := range s.Entries {
		e := &s.Entries[n]
		_, mass := e.Numbers[bath.Mass]
		_, after := e.Numbers[bath.MassAfter]
		anode := strings.EqualFold(strings.TrimSpace(e.Words[bath.Electrode]), "anode")
		is := false
		switch {
		case e.Kind == control.EntryChecklist && e.Words["item"] == i.Name:
			i.State, i.By = Done, e
			if e.Words["choice"] == control.ItemLeftOut {
				i.State = LeftOut
			}
		case e.Kind != i.Kind.Name:
		case e.Kind == bath.EntryDried:
			dried = append(dried, *e)
			is = constant(dried)
		case e.Kind == bath.EntryWeighing:
			is = anode == (i.Name == "anode") && (mass || after)
		case e.Kind == control.EntryDiscarded:
			is = strings.Contains(strings.ToLower(e.Words["what"]), i.Preset["what"])
		default:
			is = e.Kind != control.EntryChecklist
		}
		if is {
			i.State, i.By = Done, e
		}
	}
	if i.Name == "dry" {
		i.Text = append(i.Text, driedSoFar(dried)...)
	}
	if i.Name == "off" && s.Ended && i.By == nil {
		i.State = Done
	}
}

// constancy is the share by which two masses of a deposit that is dried to constant mass differ at most: common practice, no source. A
// balance that is worse has its own.
const constancy = 0.001

// constantWithin is how far the last two masses may differ, in kg.
func constantWithin(dried []control.Entry) float64 {
	sum := 0.0
	for _, e := range dried[len(dried)-2:] {
		sum += e.Numbers["mass_plus_minus_kilograms"]
	}
	return max(sum, constancy*dried[len(dried)-1].Numbers[bath.Mass])
}

// constant says whether the last two masses are the same.
func constant(dried []control.Entry) bool {
	n := len(dried)
	return n > 1 && math.Abs(dried[n-1].Numbers[bath.Mass]-dried[n-2].Numbers[bath.Mass]) <= constantWithin(dried)
}

// driedSoFar tells the masses and what they mean.
func driedSoFar(dried []control.Entry) []string {
	mass := func(kg float64) string { return quantity.Short(quantity.Mass, kg, 7) }
	n := len(dried)
	switch {
	case n == 0:
		return nil
	case n == 1:
		return []string{fmt.Sprintf("So far %s. Dry it further and weigh again.", mass(dried[0].Numbers[bath.Mass]))}
	}
	a, b := dried[n-2].Numbers[bath.Mass], dried[n-1].Numbers[bath.Mass]
	is := "constant mass"
	if !constant(dried) {
		is = "not constant: dry it further and weigh again"
	}
	return []string{fmt.Sprintf("The last two masses, %s and %s, differ by %s where %s is allowed: %s.", mass(a), mass(b), quantity.Short(quantity.Mass, math.Abs(a-b), 3), quantity.Short(quantity.Mass, constantWithin(dried), 2), is)}
}

// stop is the safe end of the run. Of an unknown metal it is the one that does no harm to any.
func (s *Subject) stop() matter.Stop {
	if s.Plan == nil {
		return matter.Stop{State: matter.LiftThenOff}
	}
	return s.Plan.Metal.Stop(s.Plan.Medium)
}
