package alerts

import (
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"time"

	"nightcell/alerts/trend"
	"nightcell/configs/quantity"
)

// Memory is all that a Board knows besides its limits. It is a value with a JSON
// form, which a later process can restore exactly. Only Board makes sense of its fields.
type Memory struct {
	Version int           // of this layout
	At      time.Duration // of the newest observation
	UTC     time.Time
	Started bool // there was an observation

	Alarms alarmTable
	Onsets recent // of all alarms, for the flood
	Flood  bool

	// What is learned of the cell.
	Running    bool          // the output is on, as far as is known
	WasOn      bool          // it has been on in this run
	Dark       time.Duration // when the supply was last found silent; negative: never
	Mains      bool          // power was lost, and the set state is not restored
	Regulation Mode          // what the supply is meant to hold; unknown until it has held it for a while
	Mode       Mode          // the candidate for Regulation
	ModeSince  time.Duration
	Set        setPoints
	Usual      float64 // current when the corridor was learned, A; zero before
	Noise      float64 // of the signal when the corridor was learned
	Steady     float64 // the held quantity when the corridor was learned
	Fresh      float64 // present noise, signal units
	Repeats    repeats
	Excursions trend.Excursions
	History    trend.History
	Corridor   trend.Corridor
	Features   features
	Emptying   bool // the bath runs out in a way that this metal shows
	Steps      steps
	Why        string // why the corridor is being learned
}

// setPoints are those of the supply that count as meant; NaN while not known.
type setPoints struct{ Volts, Amperes quantity.Maybe }

const memoryVersion = 1

func newMemory() Memory {
	m := Memory{
		Version: memoryVersion, Why: "the run started", Dark: -1,
		Set:     setPoints{Volts: unknown, Amperes: unknown},
		Repeats: repeats{Volts: unknown, Amperes: unknown},
	}
	for c := range m.Alarms {
		m.Alarms[c] = untouched(Condition(c))
	}
	return m
}

// alarm is the memory of one condition.
type alarm struct {
	Condition  Condition      `json:"condition"`
	State      State          `json:"state"`
	Raw        bool           `json:"raw,omitzero"`       // it holds now, deadband counted
	RawSince   time.Duration  `json:"raw_since,omitzero"` // since when Raw is what it is
	RawUTC     time.Time      `json:"raw_utc,omitzero"`   // when Raw last became true
	Active     bool           `json:"active,omitzero"`    // it holds, delays counted
	Began      time.Duration  `json:"began,omitzero"`     // when it last became active
	Value      quantity.Maybe `json:"value"`
	Limit      quantity.Maybe `json:"limit"`
	Text       string         `json:"text,omitzero"`
	Figure     string         `json:"figure,omitzero"`
	By         string         `json:"by,omitzero"`
	Reason     string         `json:"reason,omitzero"` // of being set aside
	Own        bool           `json:"own,omitzero"`    // suppressed by the board itself, which also releases it
	Until      time.Duration  `json:"until,omitzero"`  // end of the shelf time
	First      bool           `json:"first,omitzero"`
	After      Condition      `json:"after,omitzero"`
	Chattering bool           `json:"chattering,omitzero"`
	KeptBack   bool           `json:"kept_back,omitzero"` // raised in a flood and told to nobody
	Onsets     recent         `json:"onsets,omitzero"`
}

var unknown = quantity.Maybe(math.NaN())

func untouched(c Condition) alarm { return alarm{Condition: c, Value: unknown, Limit: unknown} }

// alarmTable is every condition's memory. Its JSON holds only those about which there is something to remember.
type alarmTable [conditionCount]alarm

// MarshalJSON writes the alarms that differ from untouched ones.
func (t alarmTable) MarshalJSON() ([]byte, error) {
	list := make([]alarm, 0, len(t))
	for _, a := range t[firstCondition:] {
		bare := a
		bare.Condition, bare.Value, bare.Limit = None, 0, 0 // unknown, which equals nothing
		if !reflect.ValueOf(bare).IsZero() {
			list = append(list, a)
		}
	}
	return json.Marshal(list)
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (t *alarmTable) UnmarshalJSON(data []byte) error {
	var list []alarm
	if err := json.Unmarshal(data, &list); err != nil {
		return fmt.Errorf("alarm memory: %w", err)
	}
	for c := range t {
		t[c] = untouched(Condition(c))
	}
	for _, a := range list {
		t[a.Condition] = a
	}
	return nil
}

// State returns a copy of all the board knows.
func (b *Board) State() Memory {
	m := b.m
	m.History = m.History.Clone()
	return m
}

// Restore returns a board that goes on from a memory. at is the present time of the
// run, which goes on through restarts; m is the board's from now on. Conditions that had not served their delay when the watch went dark
// begin to serve it anew. The error says what in the memory does not fit.
func Restore(l Limits, c Chemistry, m Memory, at time.Duration) (*Board, error) {
	if m.Version != memoryVersion {
		return nil, fmt.Errorf("alarm memory of layout %d: this program reads layout %d; begin with an empty board", m.Version, memoryVersion)
	}
	for i := range m.Alarms {
		if m.Alarms[i].Condition != Condition(i) || m.Alarms[i].State >= stateCount {
			return nil, fmt.Errorf("alarm memory: entry %d is %q in state %s, which does not belong there; begin with an empty board", i, m.Alarms[i].Condition, m.Alarms[i].State)
		}
	}
	b := newBoard(l, c, m)
	if at > m.At {
		for i := range b.m.Alarms {
			if a := &b.m.Alarms[i]; a.Raw != a.Active {
				a.RawSince = at
			}
		}
	}
	return b, nil
}

// recent are the newest times at which something happened, oldest first. A list that is once written is not changed: memories share it.
type recent []time.Duration

// mostRecent is how many are remembered.
const mostRecent = 16

// add takes one more time in and returns how many of the remembered ones, this one
// included, lie within the given time before it.
func (r *recent) add(at, within time.Duration) int {
	*r = append(slices.Clone((*r)[max(0, len(*r)+1-mostRecent):]), at)
	return r.within(at, within)
}

// within returns how many of the remembered times lie within the given time before at.
func (r recent) within(at, within time.Duration) (n int) {
	for _, t := range r {
		if at-t < within {
			n++
		}
	}
	return n
}

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
	TakeOut  // of service
	Release  // from shelf, suppression or out of service
	Unshelve // Release from the shelf alone
	PutBack  // Release from out of service alone
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
	case Release, Unshelve, PutBack:
		switch {
		case !s.Hidden(), e == Unshelve && s != SHLVD, e == PutBack && s != OOSRV:
			return s
		case abnormal:
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
