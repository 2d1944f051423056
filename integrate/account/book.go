package account

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
)

// book is the bath followed along the course of a run.
type book struct {
	plan    *bath.Plan // nil: nobody stated a bath
	molar   float64    // kg/mol
	course  []Point
	shorts  []Alarm // under which charge wins nothing
	shunted float64 // C that the last walk saw pass under them
	assays  []assay
	weighed Weighings
	notes   []string
	won     []float64 // kg by the model at every point of the course that the last walk passed
}

// assay is one found concentration and the books at its moment.
type assay struct {
	At              int64
	Charge, Seconds float64
	Found           matter.Figure // kg/m3
	Volume          float64       // m3
	Supplied        float64       // kg
	Sampled         float64       // kg
	Drawn           float64       // m3 of samples so far
	Won             float64       // kg by the model without assays
	Anode           float64       // kg that left otherwise by it: at the anode, below zero from it, and through the separator
}

// mass is the kg of metal that the assay says are in the bath.
func (a assay) mass() float64 { return a.Found.Value * a.Volume }

// follow advances the model along the course from one moment to another.
func (b *book) follow(from, to int64) {
	at := func(t int64) float64 { return chargeAt(b.course, t) }
	step := func(a, z int64) {
		if z > a {
			q, lost := at(z)-at(a), b.shorted(a, z)
			b.shunted += q * lost
			b.plan.Model.Step(q*(1-lost), float64(z-a)/1e9)
		}
	}
	for _, p := range b.course {
		if p.Nanos > from && p.Nanos <= to {
			step(from, p.Nanos)
			b.won = append(b.won, b.plan.Deposit())
			from = p.Nanos
		}
	}
	step(from, to)
}

// shorted is the share of a stretch in which metal bridged the electrodes.
func (b *book) shorted(from, to int64) float64 {
	var ns int64
	for _, s := range b.shorts {
		end := cmp.Or(s.To, to)
		ns += max(min(end, to)-max(s.From, from), 0)
	}
	return float64(ns) / float64(to-from)
}

// walk follows the bath through the entries. With assays it takes them over, as the watch did; without, it is what was planned under the current that flowed.
// each sees the books before an entry is booked.
func (b *book) walk(entries []Entry, assays bool, each func(Entry)) {
	begin, end := b.course[0].Nanos, b.course[len(b.course)-1].Nanos
	now := begin
	b.shunted = 0
	b.plan.Model.Step(b.course[0].Coulombs, 0)
	b.won = append(b.won[:0], 0)
	for _, p := range b.course[1:] {
		if p.Nanos == begin {
			b.won = append(b.won, 0) // the first reading ends a stretch of no length
		}
	}
	for _, e := range entries {
		if at := min(max(e.At, begin), end); at > now {
			b.follow(now, at)
			now = at
		}
		each(e)
		outcome := e.Outcome
		if !assays {
			outcome = bath.Plain
		}
		switch e.Kind {
		case bath.EntryElectrode, bath.EntryConfirm, bath.EntryWeighing:
		default:
			if !e.Moves() || e.Kind == bath.EntryAssay && !assays {
				continue
			}
		}
		if _, err := b.plan.Book(e.Entry, outcome); err != nil {
			b.notes = append(b.notes, fmt.Sprintf("the %s by %s is left out: %v", e.Kind, e.By, err))
		}
	}
	b.follow(now, end)
}

// Weighings keep the last deposit that was weighed on each electrode.
type Weighings struct {
	Plan *bath.Plan // knows the blank
	last map[string]matter.Figure
}

// Take takes a weighing, or a dried mass, and returns the deposit, kg; not Known: of an anode, or a blank is missing.
func (w *Weighings) Take(e bath.Entry) matter.Figure {
	deposit, _ := w.Plan.Weighed(e)
	if deposit.Value > 0 {
		if w.last == nil {
			w.last = map[string]matter.Figure{}
		}
		w.last[strings.ToLower(strings.TrimSpace(e.Words[bath.Electrode]))] = deposit
	}
	return deposit
}

// Sum is the deposit on all, kg; not Known: none was weighed.
func (w *Weighings) Sum() (sum matter.Figure) {
	for _, name := range slices.Sorted(maps.Keys(w.last)) {
		f := w.last[name]
		sum = matter.Figure{Value: sum.Value + f.Value, StandardUncertainty: math.Hypot(sum.StandardUncertainty, f.StandardUncertainty), Mark: matter.Measured, Source: "balance"}
	}
	return sum
}

// weigh takes down a weighing.
func (b *book) weigh(e Entry) {
	if e.Kind == bath.EntryWeighing || e.Kind == bath.EntryDried {
		if deposit := b.weighed.Take(e.Entry); deposit.Known() && !(deposit.Value > 0) {
			b.notes = append(b.notes, fmt.Sprintf("the weighing by %s is left out: a deposit of %.4g g is not possible", e.By, deposit.Value*1e3))
		}
	}
}

// far is how many standard uncertainties a figure may lie from what can be before it is left out. Common practice (JCGM 100, G.1.3).
const far = 3

// gather walks the bath as it was planned and takes down every assay with the books at its moment.
func (b *book) gather(entries []Entry) {
	confirmed := map[int]bool{}
	held := -1
	for i, e := range entries {
		switch e.Outcome {
		case bath.Held:
			held = i
		case bath.Confirmed:
			confirmed[held] = true
		}
	}
	i, drawn := -1, 0.0
	b.walk(entries, false, func(e Entry) {
		i++
		book := b.plan.Model.Catholyte()
		b.weigh(e)
		switch e.Kind {
		case bath.EntrySample:
			drawn += e.Numbers[bath.LiquidVolume]
		case bath.EntryAssay:
			a := assay{At: e.At, Charge: chargeAt(b.course, e.At), Seconds: float64(min(max(e.At, b.course[0].Nanos), b.course[len(b.course)-1].Nanos)-b.course[0].Nanos) / 1e9,
				Found: b.plan.Assayed(e.Entry), Volume: book.Volume, Supplied: book.Supplied * b.molar, Sampled: book.Sampled * b.molar, Drawn: drawn, Won: book.Won() * b.molar, Anode: (book.Anode() + book.Across()) * b.molar}
			most := a.Supplied - a.Sampled
			u := math.Hypot(b.plan.Amount.StandardUncertainty, a.Volume*math.Hypot(a.Found.StandardUncertainty, a.Found.Value*b.plan.Volume.Relative()))
			if a.mass() > most+far*u && !confirmed[i] {
				b.notes = append(b.notes, fmt.Sprintf("the assay of %.4g g/L is left out: the bath never held more than %.4g g/L", a.Found.Value, most/a.Volume))
				return
			}
			b.assays = append(b.assays, a)
		}
	})
}
