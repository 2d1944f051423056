package alerts

import (
	"cmp"
	"fmt"
	"math"
	"strings"
	"time"
)

// Alarm is one line of the alarm list.
type Alarm struct {
	Condition string    `json:"condition"`
	State     State     `json:"state"` // by IEC 62682
	Priority  Priority  `json:"priority"`
	Since     time.Time `json:"since,omitzero"`  // when the condition last began to hold; zero if never
	First     bool      `json:"first,omitempty"` // the first out: the cause, not a consequence
	Text      string    `json:"text,omitempty"`
	Meaning   string    `json:"meaning,omitempty"`
	Action    string    `json:"action,omitempty"` // what to do first
	By        string    `json:"by,omitempty"`     // who acted on it last
	Reason    string    `json:"reason,omitempty"` // why it is set aside
	ShelfEnds time.Time `json:"shelf_ends,omitzero"`
	Holds     bool      `json:"-"` // the condition holds now, whatever the state
}

// Active returns every alarm that is not in the state NORM, causes before
// consequences. It allocates; it is for lists, not for the hot path.
func (b *Board) Active() []Alarm {
	var list []Alarm
	for c := firstCondition; c < conditionCount; c++ {
		if b.m.Alarms[c].State != NORM {
			list = append(list, b.Alarm(c))
		}
	}
	return list
}

// Holds says whether c holds, whatever the state of its alarm.
func (b *Board) Holds(c Condition) bool { return b.m.Alarms[c].Active }

// Alarm returns the line of c, whatever its state.
func (b *Board) Alarm(c Condition) Alarm {
	a := &b.m.Alarms[c]
	l := Alarm{
		Condition: c.String(), State: a.State, Priority: b.limits.settings[c].Priority, Since: a.RawUTC,
		First: a.First, Text: a.Text, Meaning: b.Meaning(c), Action: c.About().First, Reason: a.Reason, By: a.By,
		Holds: a.Active,
	}
	if a.State == SHLVD {
		l.ShelfEnds = b.m.UTC.Add(a.Until - b.m.At)
	}
	return l
}

// Flooding tells whether more alarms come than a person can answer.
func (b *Board) Flooding() bool {
	return b.m.Flood && b.m.Onsets.within(b.m.At, b.limits.Flood.In) >= b.limits.Flood.Below
}

// LongestShelf is the longest time for which an alarm can be shelved: one night and
// a morning (common practice, no source).
const LongestShelf = 24 * time.Hour

// Order is what a person, or nightcell on purpose, does to an alarm.
type Order struct {
	Do     Event // one of verbs
	By     string
	Reason string        // for Shelve and TakeOut, for the next person
	Length time.Duration // for Shelve, at most LongestShelf
}

// verbs are the events that an Order may ask for.
var verbs = map[Event]string{
	Acknowledge: "acknowledge", Reannounce: "raise again", Reset: "reset",
	Shelve: "shelve", Unshelve: "unshelve", TakeOut: "take out of service", PutBack: "return to service",
}

// Obey carries an order out. The error says what there is instead of an alarm to act on. Whoever acknowledges
// set-points-changed or mode-flip takes the supply as it now is for what is meant, and the corridor is learned anew: else the
// alarm would hide its consequences all night.
func (b *Board) Obey(c Condition, o Order, utc time.Time) (Change, error) {
	verb := verbs[o.Do]
	switch {
	case c == None || c >= conditionCount:
		return Change{}, fmt.Errorf("%s: unknown condition", verb)
	case o.By == "":
		return Change{}, fmt.Errorf("%s %s: give your name", verb, c)
	case o.Do == Shelve && (o.Length <= 0 || o.Length > LongestShelf):
		return Change{}, fmt.Errorf("shelve %s for %s: give a time above zero and at most %s", c, span(o.Length.Seconds()), span(LongestShelf.Seconds()))
	case o.Reason == "" && (o.Do == Shelve || o.Do == TakeOut):
		return Change{}, fmt.Errorf("%s: give the reason, for the next person", c)
	}
	a := &b.m.Alarms[c]
	from := a.State
	to := Next(from, o.Do, a.Active, b.limits.settings[c].Latching)
	if to == from {
		text := stands[from]
		if from == DSUPR && a.Reason != "" {
			text += " (" + a.Reason + ")"
		}
		return Change{}, fmt.Errorf("%s %s; there is nothing to %s", c, text, verb)
	}
	a.State, a.By, a.Own, a.Reason = to, o.By, false, o.Reason
	switch {
	case to == UNACK:
		b.keepBack(c)
		a.Text = cmp.Or(a.Text, c.String()+" holds.")
	case to == SHLVD:
		a.Until = b.m.At + o.Length
	case o.Do == Acknowledge && (c == SetPointsChanged || c == ModeFlip):
		b.Expect(math.NaN(), math.NaN())
		b.Relearn(c.String() + " was acknowledged")
	}
	return b.change(c, from, utc, o.By, o.Reason), nil
}

// stands says in plain words where an alarm stands.
var stands = [stateCount]string{
	NORM:  "is normal",
	UNACK: "is active and not acknowledged",
	ACKED: "is active and already acknowledged",
	RTNUN: "has cleared and is not acknowledged",
	LTUNK: "has cleared; latched until acknowledged and reset",
	LTACK: "has cleared and is acknowledged; latched until reset",
	SHLVD: "is shelved",
	DSUPR: "is suppressed",
	OOSRV: "is out of service",
}

// Act is what may be done to a supply's output. There is no act that switches on or
// raises anything: after a loss of power the output stays as it was found.
type Act uint8

// The acts, by rising weight.
const (
	Notify Act = iota // say so, touch nothing
	Hold              // lower the current to the hold current
	Off               // switch the output off
)

var actNames = [...]string{"notify", "hold", "off"}

// String returns the name used in the configuration.
func (a Act) String() string { return actNames[min(int(a), len(actNames)-1)] }

// Permission is what the operator has allowed nightcell to do, in writing, in the
// configuration. The zero value allows nothing but watching.
type Permission struct {
	Off  bool
	Hold bool
	Step bool // a small step of the current downwards, when asked for
}

// Allows says whether an act is permitted; Notify always is.
func (p Permission) Allows(a Act) bool {
	return a == Notify || a == Off && p.Off || a == Hold && p.Hold
}

// String lists what is allowed.
func (p Permission) String() string {
	var words []string
	allowed := [...]bool{p.Off, p.Hold, p.Step}
	for i, word := range [...]string{"off", "hold", "step"} {
		if allowed[i] {
			words = append(words, word)
		}
	}
	return cmp.Or(strings.Join(words, ", "), "nothing")
}

// Reaction is what to do when a condition has stood for a while.
type Reaction struct {
	Condition Condition
	Do        Act           // Hold or Off
	After     time.Duration // counted from when the alarm became active
}

// Hands is what the operator permits and wishes. The zero value only watches.
type Hands struct {
	May         Permission
	HoldAmperes float64 // A; must be below the set-point to mean anything
	Reactions   []Reaction
}

// Situation is what a decision depends on besides the alarms.
type Situation struct {
	Now        time.Duration        // of the run
	SetAmperes float64              // present set-point, A; NaN unknown
	Done       func(Condition) bool // this was reacted to before; nil: nothing was
}

// Decision is what to do now.
type Decision struct {
	Do        Act
	Condition Condition     // that asked for it; None when nothing did
	In        time.Duration // with Do = Notify: the time until the next act falls due; 0: none is pending
	Text      string        // why, or why not
}

// Decide says what the operator's wishes come to at this moment. The heaviest act that
// is due wins. A wish that is not permitted, or a hold that would not lower anything, comes back as Notify with the reason. An
// acknowledged alarm still acts: knowing of a short does not mend it. So does one that is
// suppressed as a mere consequence: that spares a person a notice, not the cell its rescue. One that a person has
// set aside does not.
//
// It only decides: to carry an act out and to verify it by reading back is the caller's part.
func (b *Board) Decide(h Hands, s Situation) Decision {
	var d Decision
	for _, r := range h.Reactions {
		b.weigh(&d, h, s, r)
	}
	return d
}

// weigh lets one reaction take its part in a decision.
func (b *Board) weigh(d *Decision, h Hands, s Situation, r Reaction) {
	if r.Do == Notify || r.Condition == None || r.Condition >= conditionCount {
		return
	}
	a := &b.m.Alarms[r.Condition]
	if !a.Active || a.State.Hidden() && !a.Own || s.Done != nil && s.Done(r.Condition) {
		return
	}
	if left := r.After - (s.Now - a.Began); left > 0 {
		if d.Do == Notify && (d.In == 0 || left < d.In) {
			d.In = left
		}
		return
	}
	refusal := ""
	switch {
	case !h.May.Allows(r.Do):
		refusal = "the configuration does not permit it"
	case r.Do == Hold && !(h.HoldAmperes > 0):
		refusal = "no hold current is configured"
	case r.Do == Hold && finite(s.SetAmperes) && h.HoldAmperes >= s.SetAmperes:
		refusal = fmt.Sprintf("the hold current of %.3g A is not below the set-point of %.3g A, which nightcell never raises", h.HoldAmperes, s.SetAmperes)
	case r.Do == Hold && math.IsNaN(s.SetAmperes):
		refusal = "the present set-point is unknown, and nightcell never raises one"
	}
	if refusal != "" {
		if d.Do == Notify && d.Condition == None {
			d.Condition, d.Text = r.Condition, fmt.Sprintf("%s asks for %s, but %s", r.Condition, r.Do, refusal)
		}
		return
	}
	if r.Do > d.Do {
		*d = Decision{Do: r.Do, Condition: r.Condition, Text: fmt.Sprintf("%s active for %s", r.Condition, span((s.Now - a.Began).Seconds()))}
	}
}
