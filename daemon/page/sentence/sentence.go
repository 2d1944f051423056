// Package sentence puts the state of a cell into the few words that a person wants
// who wakes at three in the morning: how far it is, when it ends, and whether anything is wrong.
package sentence

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"nightcell/alerts"
	"nightcell/configs/quantity"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate"
)

// Standing says what a person has to do with a sentence.
type Standing string

// The standings.
const (
	Well Standing = "well" // nothing to do
	Look Standing = "look" // something is worth a look, not at once
	Act  Standing = "act"  // go there
)

// Sentence is the answer for one cell.
type Sentence struct {
	Progress string // how far and until when
	Trouble  string // what is wrong, or that nothing is
	Standing Standing
}

// String is the whole of it.
func (s Sentence) String() string { return s.Progress + " " + s.Trouble }

// Of describes a cell at a moment, with clock times in a zone. Uncertainties are
// expanded, k = 2.
func Of(c *snapshot.Cell, now time.Time, zone *time.Location) Sentence {
	trouble, standing := troubleOf(c, now)
	return Sentence{progress(c, now, zone), trouble, standing}
}

// Name makes a cell's name in the configuration into words: zinc-1 becomes Zinc 1.
func Name(cell string) string {
	words := strings.NewReplacer("-", " ", "_", " ").Replace(cell)
	first, n := utf8.DecodeRuneInString(words)
	return string(unicode.ToUpper(first)) + words[n:]
}

func progress(c *snapshot.Cell, now time.Time, zone *time.Location) string {
	name := Name(c.Name)
	switch {
	case c.Ended:
		how := "is done"
		if !math.IsNaN(c.Charge.TargetCoulombs) && !c.Charge.TargetReached {
			how = "ended before its target"
		}
		return fmt.Sprintf("%s %s: %s%s passed. Reason: %s.", name, how, charge(c), ofTarget(c), strings.TrimSuffix(c.EndedWhy, "."))
	case c.Waiting && c.Reading.At.IsZero():
		return name + " has not started: no reading from its supply yet."
	case c.Waiting && len(c.Alarms) > 0: // that nothing is watched; there is no other without a run
		return name + " has not started although current flows: no charge is counted."
	case idle(c):
		return name + " has not started: its output is on, but no current flows. Check clips and leads. Counting starts when current flows."
	case c.Waiting:
		return name + " has not started: its output is off. Counting starts when current flows."
	case c.Charge.TargetReached:
		return fmt.Sprintf("%s has reached its target: %s passed%s.", name, charge(c), still(c, now))
	case silence(c, now) > 0: // the finish rests on a current that nobody sees any more
		return fmt.Sprintf("%s had passed %s%s %s, at its last reading.", name, charge(c), ofTarget(c), at(c.Reading.At, now, zone))
	}
	text := fmt.Sprintf("%s has passed %s%s", name, charge(c), ofTarget(c))
	switch left := c.Charge.SecondsToTarget; {
	case c.Reading.Output == drivers.OutputOff:
		return text + "; its output is off."
	case math.IsNaN(c.Charge.TargetCoulombs):
		return text + "; no target is set."
	case shorted(c): // what passes through metal wins none, so the target moves on with it
		return text + ". Short circuit: no metal is depositing; finish unknown."
	case math.IsNaN(left):
		return text + "; finish unknown."
	case math.IsInf(left, 0) || c.Charge.FinishesAt.IsZero():
		return text + "; it will not finish at this current."
	default:
		return text + "; at this current it finishes " + at(c.Charge.FinishesAt, now, zone) + "."
	}
}

// still says that the output is on although the target is reached: somebody may have to go there.
func still(c *snapshot.Cell, now time.Time) string {
	if c.Reading.Output != drivers.OutputOn && !c.Reading.ByMeter || silence(c, now) > 0 {
		return ""
	}
	return "; its output is still on, at " + Decimals(c.Reading.Amperes, 2) + " A"
}

// idle says that the output is on and nothing flows, so that no run begins.
func idle(c *snapshot.Cell) bool {
	return c.Waiting && !c.Ended && !c.Reading.At.IsZero() && len(c.Alarms) == 0 && c.Reading.Output == drivers.OutputOn
}

// shorted says that metal bridges the electrodes now.
func shorted(c *snapshot.Cell) bool {
	return slices.ContainsFunc(c.Alarms, func(a alerts.Alarm) bool { return a.State.Active() && a.Condition == alerts.HardShort.String() })
}

// charge is the counted charge with its expanded uncertainty.
func charge(c *snapshot.Cell) string {
	return Measured(c.Charge.CountedCoulombs/3600, integrate.CoverageFactor*c.Charge.UncertaintyCoulombs/3600) + " A·h"
}

func ofTarget(c *snapshot.Cell) string {
	if math.IsNaN(c.Charge.TargetCoulombs) {
		return ""
	}
	return " of " + Figure(c.Charge.TargetCoulombs/3600, 3) + " A·h"
}

// at is a clock time, with the day when it is more than 20 hours away.
func at(t, now time.Time, zone *time.Location) string {
	if t.Sub(now).Abs() < 20*time.Hour {
		return "at " + t.In(zone).Format("15:04")
	}
	return "on " + t.In(zone).Format("Mon 2 Jan") + " at " + t.In(zone).Format("15:04")
}

// stillWet is how long after the end a deposit that its bath dissolves may still be worth lifting.
const stillWet = 24 * time.Hour

// troubleOf says what is wrong.
func troubleOf(c *snapshot.Cell, now time.Time) (string, Standing) {
	standing, open, aside := Well, 0, 0
	var said []string
	for _, a := range ByUrgency(c.Alarms) {
		if a.State.Hidden() {
			if a.State == alerts.SHLVD || a.State == alerts.OOSRV { // by a person
				aside++
			}
			continue
		}
		if open++; open > 1 {
			continue // the most urgent decides what to do
		}
		standing = standingOf(a)
		said = append(said, tell(a))
		if standing == Act && a.State.Active() && a.Action != "" { // what is over asks for nothing that helped while it held
			said = append(said, "First: "+lower(a.Action))
		}
	}
	if open > 1 {
		said = append(said, fmt.Sprintf("%s in all.", quantity.Count(open, "alarm")))
	}
	look := func(text string) {
		if said = append(said, text); standing == Well {
			standing = Look
		}
	}
	if age := silence(c, now); age > 0 {
		look(fmt.Sprintf("No reading for %s.", Span(age)))
	} else if !c.Link.Up && open == 0 && !c.Ended {
		look("The supply does not answer.")
	}
	if idle(c) && len(said) == 0 { // no alarm tells of it: they are judged in a run alone
		look("Nothing is monitored until then.")
	}
	if c.Ended && c.Lift && len(said) == 0 && now.Sub(c.Began.Add(c.Elapsed)) < stillWet {
		look("Lift the cathode out and rinse it, unless that is done: " + c.AtRest + ".")
	}
	if len(said) == 0 {
		said = append(said, "Nothing is wrong.")
	}
	if aside > 0 {
		said = append(said, fmt.Sprintf("(%s shelved or out of service.)", quantity.Count(aside, "alarm")))
	}
	return strings.Join(said, " "), standing
}

// tell is one alarm in a sentence.
func tell(a alerts.Alarm) string {
	switch a.State {
	case alerts.RTNUN:
		return Name(a.Condition) + " has cleared; not acknowledged."
	case alerts.LTUNK:
		return fmt.Sprintf("%s has cleared, latched, not acknowledged: %s.", Name(a.Condition), firstOf(a.Text))
	case alerts.LTACK:
		return fmt.Sprintf("%s has cleared, latched until reset: %s.", Name(a.Condition), firstOf(a.Text))
	}
	return fmt.Sprintf("%s: %s.", Name(a.Condition), firstOf(a.Text))
}

// standingOf: an alarm of high priority that holds calls a person even when somebody
// acknowledged it; one that is over, or a low one, is worth a look.
func standingOf(a alerts.Alarm) Standing {
	latched := a.State == alerts.LTUNK || a.State == alerts.LTACK
	if a.Priority >= alerts.High && (a.State.Active() || latched) {
		return Act
	}
	return Look
}

// silence is how long there has been no reading, 0 when that is no longer than usual.
func silence(c *snapshot.Cell, now time.Time) time.Duration {
	if c.Ended || c.Reading.At.IsZero() {
		return 0
	}
	age := now.Sub(c.Reading.At)
	usual := time.Duration(math.Max(10, math.Max(5*c.Poll.EverySeconds, c.Poll.GapAfterSeconds)) * float64(time.Second))
	if age <= usual {
		return 0
	}
	return age
}

func lower(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	return string(unicode.ToLower(r)) + s[n:]
}

// firstOf is the first sentence of a text, without its full stop.
func firstOf(text string) string {
	first, _, _ := strings.Cut(text, ". ")
	return strings.TrimSuffix(first, ".")
}

// ByUrgency returns alarms in the order in which a person should read them.
func ByUrgency(alarms []alerts.Alarm) []alerts.Alarm {
	return slices.SortedStableFunc(slices.Values(alarms), Before)
}

// Before compares two alarms by the order in which a person should read them: those that hold before those that are over
// and kept, then those over and unanswered, then those set aside; among them by priority, the cause before its
// consequences, the older first.
func Before(a, b alerts.Alarm) int {
	return cmp.Or(
		cmp.Compare(stage(a), stage(b)), cmp.Compare(b.Priority, a.Priority),
		cmp.Compare(side(a), side(b)), a.Since.Compare(b.Since),
	)
}

// Urgency is the priority of the most urgent alarm that holds and that nobody has answered, -1 when there is none.
func Urgency(alarms []alerts.Alarm) int {
	most := -1
	for _, a := range alarms {
		if a.State == alerts.UNACK {
			most = max(most, int(a.Priority))
		}
	}
	return most
}

// stage orders the states of the lifecycle.
func stage(a alerts.Alarm) int {
	switch s := a.State; {
	case s.Hidden():
		return 4
	case s.Active():
		return 1
	case s == alerts.LTUNK || s == alerts.LTACK:
		return 2
	}
	return 3
}

// side puts the first out before what followed from it.
func side(a alerts.Alarm) int {
	if a.First {
		return 0
	}
	return 1
}
