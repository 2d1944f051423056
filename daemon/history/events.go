package history

import (
	"maps"
	"slices"
	"time"

	"nightcell/daemon/runlog"
)

// most events and gaps of a run are kept, the newest; the log has them all.
const most = 256

// Event is something that happened in a run: an alarm changed its state, a person
// wrote an entry, nightcell acted on the output.
type Event struct {
	At       time.Time
	Kind     runlog.Kind // alarm, entry or output
	Name     string      // the condition, the kind of entry, or the action
	State    string      // of an alarm, by IEC 62682; of an act, its outcome
	Priority string      // of an alarm
	Text     string
	By       string
}

// Gap is a stretch of time that nobody observed, and what may have passed in it, in coulombs.
type Gap struct {
	Index           int64
	From, To        time.Time
	Kind            string // late, restart, suspend, silent
	Low, Best, High float64
	Settled         bool // by a person
}

// book takes what a line of the log says of the charge.
func (g *Gap) book(r *runlog.Record) {
	g.Low, g.Best, g.High = r.Value("low"), r.Value("best"), r.Value("high")
}

// Hand is a figure that a person entered, in SI units.
type Hand struct {
	Value float64
	At    time.Time
}

// events collects what happened.
type events struct {
	list []Event
	gaps []Gap
	hand map[string]Hand // by name of the figure
	more int             // events that are no longer kept
}

func (e *events) take(r *runlog.Record) {
	ev := Event{At: r.Time(), Kind: r.Kind, Text: r.Text("text"), By: r.Text("by")}
	switch r.Kind {
	case runlog.KindGap:
		e.gap(r)
		return
	case runlog.KindAlarm:
		ev.Name, ev.State, ev.Priority = r.Condition, r.Text("state"), r.Text("priority")
		if quiet(r.Text("before"), ev.State) {
			return
		}
	case runlog.KindOutput:
		ev.Name, ev.State = r.Text("action"), r.Text("outcome")
	case runlog.KindEntry:
		ev.Name = r.Text("kind")
		e.entry(r, ev)
	default:
		return // a notice repeats what an alarm says
	}
	if len(e.list) == most {
		e.list = slices.Delete(e.list, 0, 1)
		e.more++
	}
	e.list = append(e.list, ev)
}

// quiet says that a change is none that a person would call an event: a condition that
// was not so can for a time not be judged, or can be again.
func quiet(before, after string) bool {
	normal, suppressed := "NORM", "DSUPR"
	return before == normal && after == suppressed || before == suppressed && after == normal
}

// entry remembers the figures of what a person measured.
func (e *events) entry(r *runlog.Record, ev Event) {
	switch ev.Name {
	case runlog.EntrySettle:
		e.settle(r)
		return
	case "measurement", "assay", "sample", "weighing":
	default:
		return
	}
	for _, f := range r.Fields {
		v, ok := f.Value.(float64)
		if !ok {
			continue
		}
		if e.hand == nil {
			e.hand = make(map[string]Hand)
		}
		if e.hand[ev.Name+" "+f.Key] = (Hand{v, ev.At}); len(e.hand) > most {
			clear(e.hand)
		}
	}
}

func (e *events) gap(r *runlog.Record) {
	length, _ := r.Integer("length")
	g := Gap{From: r.Time().Add(-time.Duration(length)), To: r.Time(), Kind: r.Text("kind")}
	g.Index, _ = r.Integer("index")
	g.book(r)
	if len(e.gaps) == most {
		e.gaps = slices.Delete(e.gaps, 0, 1)
	}
	e.gaps = append(e.gaps, g)
}

func (e *events) settle(r *runlog.Record) {
	index, _ := r.Integer("index")
	for i := range e.gaps {
		if g := &e.gaps[i]; g.Index == index {
			g.book(r)
			g.Settled = true
		}
	}
}

// Happened is what happened in a run.
type Happened struct {
	Events []Event // oldest first
	More   int     // earlier ones that only the log has
	Gaps   []Gap
	Hand   map[string]Hand // by kind of entry and name, such as "measurement temperature_kelvins"
}

// Happened returns what happened in the newest run of a cell.
func (h *History) Happened(name string) Happened {
	c := h.ask(name)
	if c == nil {
		return Happened{}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.series.events.happened()
}

func (e *events) happened() Happened {
	return Happened{Events: slices.Clone(e.list), More: e.more, Gaps: slices.Clone(e.gaps), Hand: maps.Clone(e.hand)}
}
