package alerts

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"time"

	"nightcell/alerts/trend"
)

// Memory is all that a Board knows besides its limits. It is a plain value with a JSON
// form, which a later process can restore exactly. Only Board makes sense of its fields.
type Memory struct {
	Version int           // of this layout
	At      time.Duration // of the newest observation
	UTC     time.Time
	Started bool // there was an observation

	Alarms [conditionCount]alarm
	Onsets recent // of all alarms, for the flood
	Flood  bool

	Running    bool // the output is on, as far as is known
	WasOn      bool // it has been on in this run
	Regulation Mode // what the supply held constant when the run began
	Set        setPoints
	Usual      float64 // current when the corridor was learned, A; zero before
	History    trend.History
	Corridor   trend.Corridor
	Why        string // why the corridor is being learned
}

// setPoints are those of the supply that count as meant.
type setPoints struct {
	Known          bool
	Volts, Amperes number
}

const memoryVersion = 1

func newMemory() Memory {
	m := Memory{Version: memoryVersion, Why: "the run begins"}
	for c := range m.Alarms {
		m.Alarms[c] = alarm{Condition: Condition(c), After: None, Value: unknown, Limit: unknown}
	}
	return m
}

// alarm is the memory of one condition.
type alarm struct {
	Condition  Condition
	State      State
	Raw        bool          // it holds now, deadband counted
	RawSince   time.Duration // since when Raw is what it is
	RawUTC     time.Time     // when Raw last became true
	Active     bool          // it holds, delays counted
	Value      number
	Limit      number
	Text       string
	By         string
	Reason     string        // of being set aside
	Own        bool          // suppressed by the board itself, which also releases it
	Until      time.Duration // end of the shelf time
	First      bool
	After      Condition
	Chattering bool
	Onsets     recent
}

// State returns a copy of all the board knows.
func (b *Board) State() Memory { return b.m }

// Restore returns a board that goes on from a memory. at and utc are the present times of
// the clock that stamps the coming observations and of the calendar; by the calendar the time since
// the memory was taken is counted, and conditions that had not yet served their delay begin to serve it anew.
func Restore(l Limits, c Chemistry, m Memory, at time.Duration, utc time.Time) (*Board, error) {
	if m.Version != memoryVersion {
		return nil, fmt.Errorf("alarm memory of layout %d: this program reads layout %d; begin with an empty board", m.Version, memoryVersion)
	}
	for i := range m.Alarms {
		if m.Alarms[i].Condition != Condition(i) || m.Alarms[i].State >= stateCount {
			return nil, fmt.Errorf("alarm memory: entry %d is %q in state %s, which does not belong there; begin with an empty board", i, m.Alarms[i].Condition, m.Alarms[i].State)
		}
	}
	b := &Board{limits: l, chemistry: c, m: m}
	b.prepare()
	dark := max(utc.Sub(m.UTC), 0)
	if !m.Started {
		dark = 0
		b.m.At = at
	}
	b.shift = b.m.At + dark - at
	if dark > 0 {
		for i := range b.m.Alarms {
			if a := &b.m.Alarms[i]; a.Raw != a.Active {
				a.RawSince = b.m.At + dark
			}
		}
	}
	return b, nil
}

// recent remembers the newest times at which something happened.
type recent struct {
	Ring  [16]time.Duration
	Count int
}

// add takes one more time in and returns how many of the remembered ones, this one
// included, lie within the given time before it.
func (r *recent) add(at, within time.Duration) (n int) {
	r.Ring[r.Count%len(r.Ring)] = at
	r.Count++
	for i := range min(r.Count, len(r.Ring)) {
		if at-r.Ring[i] < within {
			n++
		}
	}
	return n
}

// number is a float64 whose JSON is null when it is not a finite number.
type number float64

const unknownBits = 0x7ff8000000000001

var unknown = number(math.Float64frombits(unknownBits))

func (n number) float() float64 { return float64(n) }

// MarshalJSON writes the shortest decimal that reads back to the same bits.
func (n number) MarshalJSON() ([]byte, error) {
	if !finite(float64(n)) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(n), 'g', -1, 64), nil
}

// UnmarshalJSON is the inverse of MarshalJSON.
func (n *number) UnmarshalJSON(data []byte) error {
	if bytes.Equal(data, []byte("null")) {
		*n = unknown
		return nil
	}
	f, err := strconv.ParseFloat(string(data), 64)
	*n = number(f)
	return err
}
