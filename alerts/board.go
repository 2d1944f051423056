// Package alerts keeps the watch over one cell: it judges, reading by reading,
// which conditions hold, leads each through the alarm lifecycle of IEC 62682, and says in
// plain words what is likeliest wrong, on what evidence, and what to do first.
//
// A Board is fed Observations by one goroutine and answers with Changes. It has no
// clock, no file and no goroutine of its own: the same observations give the same changes, and
// a Board restored from its Memory goes on as if it had never stopped. What becomes of a
// change (run log, notice, output) is the caller's business; Hands.Decide only says what the operator allowed and asked for.
//
// All numbers are float64 in SI base units; an optional number that is not known is NaN.
package alerts

import (
	"math/bits"
	"time"

	"nightcell/configs/quantity"
)

// Board is the alarm board of one cell. It belongs to one goroutine; use NewBoard or Restore.
type Board struct {
	limits    Limits
	chemistry Chemistry
	m         Memory
	verdicts  [conditionCount]verdict
	changes   []Change
}

// verdict is what one observation says of one condition.
type verdict struct {
	known        bool    // there is something to judge
	over         bool    // it holds, deadband counted
	value, limit float64 // what was compared, for the text
}

// Change is one transition of one alarm, which it shows as it is afterwards; Text, By and Reason are those of the step.
type Change struct {
	Alarm
	Condition    Condition
	From         State
	UTC          time.Time
	Value, Limit float64   // what was judged and what it was held against, in SI; NaN when the condition has no number
	After        Condition // when not First: the alarm that stood before; else None
	Flood        bool      // more alarms come than a person can answer
	Figure       string    // the figure that tells how bad it is, with its unit; "" when there is none
}

// Raised tells whether the change is an alarm that somebody should hear of now. In a
// flood only the priorities High and Highest are; the others are in the log and on the
// list, and come again from UNACK to UNACK if they still stand when the flood is over.
func (c *Change) Raised() bool {
	return c.State == UNACK && (!c.Flood || c.Priority >= High)
}

// Cleared tells whether the change takes a raised alarm back.
func (c *Change) Cleared() bool {
	return c.From.Active() && !c.State.Active() && !c.State.Hidden()
}

// NewBoard returns a board on which nothing is wrong yet.
func NewBoard(l Limits, c Chemistry) *Board {
	return newBoard(l, c, newMemory())
}

func newBoard(l Limits, c Chemistry, m Memory) *Board {
	b := &Board{chemistry: c, m: m, changes: make([]Change, 0, conditionCount)}
	b.SetLimits(l)
	return b
}

// SetLimits changes the limits while the watch goes on; standing alarms are judged by the new ones.
func (b *Board) SetLimits(l Limits) {
	b.limits = l
	b.m.History.Length = max(time.Minute, 4*l.Poll).Seconds()
}

// Judge takes one observation in and returns what it changed, oldest first. The
// slice is used again by the next call. When nothing changes nothing is allocated. An
// observation older than the one before is taken as of the same time. o is not kept.
func (b *Board) Judge(o *Observation) []Change {
	b.changes = b.changes[:0]
	now := max(o.At, b.m.At)
	b.m.At, b.m.UTC = now, o.UTC

	fresh := o.HasReading && sane(o.Volts) && sane(o.Amperes)
	if fresh {
		b.follow(now, o)
	}
	b.judgeSupply(o, now, fresh)
	b.judgeCell(o, now, fresh)
	b.judgeCharge(o)

	var pending set // what holds, or has not been over for long enough
	for c := firstCondition; c < conditionCount; c++ {
		if v := &b.verdicts[c]; (v.over && v.known || b.m.Alarms[c].Active) && !b.limits.settings[c].Ignored {
			pending |= 1 << c
		}
	}
	blinded, why := b.blindness(fresh)
	if b.verdicts[SupplySilent].over {
		blinded, why = reading, becauseSilent
	}
	list := &catalogue().rows
	for c := firstCondition; c < conditionCount; c++ {
		v, a := &b.verdicts[c], &b.m.Alarms[c]
		quiet := a.State == NORM && !a.Raw && !a.Active && !(v.over && v.known) && list[c].need < blinded // most are, at most readings
		if !quiet && !b.limits.settings[c].Ignored {
			b.lead(c, now, o, fresh, pending, blinded, why)
		}
	}
	if b.m.Flood && !b.Flooding() {
		b.ebb(o)
	}
	b.m.Started = true
	return b.changes
}

// lead takes one alarm a step on. blinded is what cannot be had now, and why: a condition that needs it, or more, cannot be judged.
func (b *Board) lead(c Condition, now time.Duration, o *Observation, fresh bool, pending set, blinded need, why string) {
	e, a := &catalogue().rows[c], &b.m.Alarms[c]
	if a.State == SHLVD && now >= a.Until {
		b.move(c, Release, o, "shelving time expired")
	}
	byMeter := !fresh && e.need == reading && b.verdicts[c].known
	switch {
	case e.need >= blinded && !byMeter:
		if why != becauseSilent { // what stood with the output on is over with it off
			b.verdicts[c] = verdict{known: true}
			b.advance(c, now, o, 0)
		}
		b.blind(c, o, why)
	case e.need != always && !fresh && !byMeter:
		// One missed answer: wait for the next.
	default:
		if b.verdicts[c].known {
			b.advance(c, now, o, pending&e.follows)
		}
		// A suppression of the board's own ends once its reason is gone: at once when the condition still holds; one that only serves its
		// off-delay is over before it would be news.
		if a.State == DSUPR && a.Own && (!a.Active || a.Raw && pending&e.follows == 0) {
			b.move(c, Release, o, reasonOver(a.Reason))
		}
	}
}

// becauseSilent, becauseOff and becauseLearning are the reasons for which the board
// itself suppresses an alarm by design.
const (
	becauseSilent   = "the supply does not answer"
	becauseOff      = "the output is off"
	becauseLearning = "the baseline is still being learned"
)

// blindness returns what cannot be had although the supply answers, and why; needCount: nothing.
func (b *Board) blindness(fresh bool) (need, string) {
	switch {
	case !fresh:
		return needCount, ""
	case !b.m.Running:
		return current, becauseOff
	case !b.m.Corridor.Settled:
		return learned, becauseLearning
	}
	return needCount, ""
}

// blind suppresses a condition that cannot be judged. An alarm that stands is left
// standing: what was wrong when the supply fell silent is not forgotten for it.
func (b *Board) blind(c Condition, o *Observation, why string) {
	a := &b.m.Alarms[c]
	if a.Active {
		return
	}
	a.Raw = false
	switch {
	case a.State == NORM:
		a.Own, a.Reason = true, why
		b.move(c, Suppress, o, why)
	case a.State == DSUPR && a.Own:
		a.Reason = why
	}
}

// advance takes a verdict through the delays and applies what comes of it. causes
// are the conditions that hold now and of which c is a mere consequence.
func (b *Board) advance(c Condition, now time.Duration, o *Observation, causes set) {
	a, v, s := &b.m.Alarms[c], &b.verdicts[c], &b.limits.settings[c]
	if v.over != a.Raw {
		a.Raw, a.RawSince = v.over, now
		if v.over && !a.Active { // a flicker within the off-delay is the same alarm, with the same beginning
			a.RawUTC = o.UTC
		}
	}
	switch held := now - a.RawSince; {
	case !a.Active && a.Raw && held >= s.OnDelay:
		b.onset(c, now, causes)
		a.Active, a.Began = true, now
		if a.State == NORM && causes != 0 {
			first := Condition(bits.TrailingZeros64(uint64(causes)))
			a.Own, a.Reason = true, "consequence of "+first.String()
			b.move(c, Suppress, o, a.Reason)
			return
		}
		b.move(c, BecomesAbnormal, o, "")
	case a.Active && !a.Raw && held >= s.OffDelay && (!a.Chattering || held >= b.limits.Chatter.Hold):
		a.Active, a.Chattering = false, false
		b.move(c, BecomesNormal, o, "")
	}
}

// reasonOver says that the board's reason to suppress an alarm is gone.
func reasonOver(reason string) string {
	switch reason {
	case becauseSilent:
		return "the supply answers again"
	case becauseOff:
		return "the output is on"
	case becauseLearning:
		return "baseline learned"
	}
	return "no longer a " + reason
}

// onset keeps the books of an alarm that becomes active: first-out, chatter, flood.
func (b *Board) onset(c Condition, now time.Duration, causes set) {
	a := &b.m.Alarms[c]
	a.After = b.standing(c, causes)
	a.First = a.After == None
	a.Chattering = a.Onsets.add(now, b.limits.Chatter.In) >= b.limits.Chatter.Count
	if a.State.Hidden() || a.State == NORM && causes != 0 {
		return // nobody is asked to answer it, so it is no part of a flood
	}
	if b.m.Onsets.add(now, b.limits.Flood.In) > b.limits.Flood.Above {
		b.m.Flood = true // until ebb: whoever ends it must tell what was kept back
	}
}

// keepBack remembers of an alarm that is being raised whether the flood keeps it from people.
func (b *Board) keepBack(c Condition) {
	b.m.Alarms[c].KeptBack = b.m.Flood && b.limits.settings[c].Priority < High
}

// ebb ends a flood: what was kept back for it and still stands unanswered is told now.
func (b *Board) ebb(o *Observation) {
	b.m.Flood = false
	for c := firstCondition; c < conditionCount; c++ {
		if a := &b.m.Alarms[c]; a.KeptBack && a.State == UNACK {
			b.changes = append(b.changes, b.change(c, UNACK, o.UTC, "", "the alarm flood has ended"))
		}
		b.m.Alarms[c].KeptBack = false
	}
}

// standing returns the alarm that c came after: one that explains it if there is one,
// else the one of the same group that has stood longest. A mere consequence of c, or of anything, is no cause.
func (b *Board) standing(c Condition, causes set) Condition {
	best := None
	for other := firstCondition; other < conditionCount; other++ {
		a, e := &b.m.Alarms[other], &catalogue().rows[other]
		if other == c || !a.Active || e.Group != catalogue().rows[c].Group {
			continue
		}
		if causes.has(other) {
			return other
		}
		if e.follows.has(c) || a.State == DSUPR {
			continue
		}
		if best == None || a.Began < b.m.Alarms[best].Began {
			best = other
		}
	}
	return best
}

// move applies an event to an alarm and writes the change down if there is one. why
// is the reason of a suppression or a release.
func (b *Board) move(c Condition, e Event, o *Observation, why string) {
	a, s := &b.m.Alarms[c], &b.limits.settings[c]
	from := a.State
	to := Next(from, e, a.Active, s.Latching)
	if to == from || from.Hidden() && e != Release {
		return // while it is set aside an alarm is judged, but says nothing
	}
	a.State = to
	if to != DSUPR {
		a.Own = false
	}
	if !to.Hidden() {
		a.Reason = ""
	}
	v := &b.verdicts[c]
	if to == UNACK {
		a.Value, a.Limit, a.By = quantity.Maybe(v.value), quantity.Maybe(v.limit), ""
		a.Text = b.describe(c, o, v)
		a.Figure = b.figure(c, o, v)
		b.keepBack(c)
	}
	if !b.m.Started && e == Suppress {
		return // how a board begins is no change
	}
	b.changes = append(b.changes, b.change(c, from, o.UTC, "", why))
}

// change describes the step of c from the state from to its present one; by and why
// are the person and the reason, if any.
func (b *Board) change(c Condition, from State, utc time.Time, by, why string) Change {
	a := &b.m.Alarms[c]
	ch := Change{Alarm: b.Alarm(c), Condition: c, From: from, UTC: utc, Value: float64(a.Value), Limit: float64(a.Limit), After: a.After, Flood: b.m.Flood, Figure: a.Figure}
	ch.By, ch.Reason = by, why
	if a.State != UNACK || by != "" {
		ch.Text = aftermath(from, a.State, by, why)
	}
	return ch
}
