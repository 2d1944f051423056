package alerts

import (
	"fmt"
	"slices"
)

// State is where an alarm stands in the lifecycle of ANSI/ISA-18.2 and IEC 62682.
type State uint8

// The nine states A to I of the standard. The mnemonics of A to D and G to I are the
// standard's; those of the two latched states are ours, because its own were not seen.
const (
	NORM  State = iota // A: normal
	UNACK              // B: active, nobody has answered
	ACKED              // C: active, acknowledged
	RTNUN              // D: returned to normal before anybody answered
	LTUNK              // E: over, latched, unacknowledged
	LTACK              // F: over, latched, acknowledged; kept until reset
	SHLVD              // G: shelved by a person until a time
	DSUPR              // H: suppressed by design, with the reason
	OOSRV              // I: out of service until put back
	stateCount
)

var stateNames = [stateCount]string{"NORM", "UNACK", "ACKED", "RTNUN", "LTUNK", "LTACK", "SHLVD", "DSUPR", "OOSRV"}

// String returns the mnemonic.
func (s State) String() string {
	if s >= stateCount {
		return fmt.Sprintf("State(%d)", uint8(s))
	}
	return stateNames[s]
}

// MarshalText writes the mnemonic.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (s *State) UnmarshalText(text []byte) error {
	i := slices.Index(stateNames[:], string(text))
	if i < 0 {
		return fmt.Errorf("alarm state %q is unknown: the states are %v", text, stateNames)
	}
	*s = State(i)
	return nil
}

// Active tells whether the condition holds now and the alarm counts: UNACK or ACKED.
func (s State) Active() bool { return s == UNACK || s == ACKED }

// Unanswered tells whether the alarm still waits for a person to acknowledge it.
func (s State) Unanswered() bool {
	return s == UNACK || s == RTNUN || s == LTUNK
}

// Hidden tells whether the alarm is set aside: shelved, suppressed or out of service.
func (s State) Hidden() bool { return s >= SHLVD && s < stateCount }

// Event is what moves an alarm from one state to another.
type Event uint8

// The events of the lifecycle.
const (
	BecomesAbnormal Event = iota // the condition holds, on-delay served
	BecomesNormal                // the condition is over, off-delay served
	Acknowledge
	Reannounce // an acknowledged alarm is raised again on purpose
	Reset      // a person releases a latched alarm
	Shelve
	Suppress
	TakeOut // of service
	Release // from shelf, suppression or out of service
	eventCount
)

// Next is the transition table. abnormal is whether the condition holds, which
// decides where a Release leads; latching is whether the alarm stays when it is over. An event
// that means nothing in a state leaves the state as it is.
//
// The transitions among A to D are those of the standard's state diagram. Those through
// E and F, and that a release leads to B or A, are from memory.
func Next(s State, e Event, abnormal, latching bool) State {
	switch e {
	case Shelve:
		return SHLVD
	case Suppress:
		return DSUPR
	case TakeOut:
		return OOSRV
	case Release:
		if !s.Hidden() {
			return s
		}
		if abnormal {
			return UNACK
		}
		return NORM
	}
	to, moves := transitions[e][s]
	switch {
	case !moves:
		return s
	case e == BecomesNormal && latching && s == UNACK:
		return LTUNK
	case e == BecomesNormal && latching:
		return LTACK
	}
	return to
}

// transitions are those of the events that do not set an alarm aside or put it back; what is latched is left out.
var transitions = [eventCount]map[State]State{
	BecomesAbnormal: {NORM: UNACK, RTNUN: UNACK, LTUNK: UNACK, LTACK: UNACK},
	BecomesNormal:   {UNACK: RTNUN, ACKED: NORM},
	Acknowledge:     {UNACK: ACKED, RTNUN: NORM, LTUNK: LTACK},
	Reannounce:      {ACKED: UNACK},
	Reset:           {LTUNK: RTNUN, LTACK: NORM},
}

// Priority is how soon a person must act. The standard asks for few.
type Priority uint8

// The priorities.
const (
	Low     Priority = iota // look at it in the morning
	Medium                  // look at it within the hour
	High                    // come now
	Highest                 // come now, and nothing else matters
	priorityCount
)

var priorityNames = [priorityCount]string{"low", "medium", "high", "highest"}

// String returns the name used in the configuration, in the run log and in every notice. Nothing is above Highest.
func (p Priority) String() string { return priorityNames[min(p, Highest)] }

// MarshalText writes the name.
func (p Priority) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText is the inverse of MarshalText.
func (p *Priority) UnmarshalText(text []byte) error {
	i := slices.Index(priorityNames[:], string(text))
	if i < 0 {
		return fmt.Errorf("priority %q is not known; use low, medium, high or highest", text)
	}
	*p = Priority(i)
	return nil
}
