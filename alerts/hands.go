package alerts

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Act is what may be done to a supply's output. There is no act that switches on or
// raises anything: after a loss of power the output stays as it was found.
type Act uint8

// The acts, by rising weight.
const (
	Tell Act = iota // say so, touch nothing
	Hold            // lower the current to the hold current
	Off             // switch the output off
)

var actNames = [...]string{"tell", "hold", "off"}

// String returns the name used in the configuration.
func (a Act) String() string { return actNames[min(int(a), len(actNames)-1)] }

// Permission is what the operator has allowed nightcell to do, in writing, in the
// configuration. The zero value allows nothing but watching.
type Permission struct {
	Off  bool
	Hold bool
	Step bool // a small step of the current downwards, when asked for
}

// Allows says whether an act is permitted; Tell always is.
func (p Permission) Allows(a Act) bool { return a == Tell || a == Off && p.Off || a == Hold && p.Hold }

// String lists what is allowed.
func (p Permission) String() string {
	var words []string
	for _, w := range []struct {
		allowed bool
		word    string
	}{{p.Off, "off"}, {p.Hold, "hold"}, {p.Step, "step"}} {
		if w.allowed {
			words = append(words, w.word)
		}
	}
	if len(words) == 0 {
		return "nothing"
	}
	return strings.Join(words, ", ")
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
	In        time.Duration // with Do = Tell: the time until the next act falls due; 0: none is pending
	Text      string        // why, or why not
}

// Decide says what the operator's wishes come to at this moment. The heaviest act that
// is due wins. A wish that is not permitted, or a hold that would not lower anything, comes back as Tell with the reason. An
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
	if r.Do == Tell || r.Condition == None || r.Condition >= conditionCount {
		return
	}
	a := &b.m.Alarms[r.Condition]
	if !a.Active || a.State.Hidden() && !a.Own || s.Done != nil && s.Done(r.Condition) {
		return
	}
	if left := r.After - (s.Now - a.Began); left > 0 {
		if d.Do == Tell && (d.In == 0 || left < d.In) {
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
		if d.Do == Tell && d.Condition == None {
			d.Condition, d.Text = r.Condition, fmt.Sprintf("%s asks for %s, but %s", r.Condition, r.Do, refusal)
		}
		return
	}
	if r.Do > d.Do {
		*d = Decision{Do: r.Do, Condition: r.Condition, Text: fmt.Sprintf("%s active for %s", r.Condition, span((s.Now - a.Began).Seconds()))}
	}
}
