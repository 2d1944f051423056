package ledger

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"nightcell/daemon/books"
	"nightcell/daemon/control"
	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/stock"
)

// Side says in an entry which liquid of a divided cell is meant.
const Side = "side"

// Bath is how a bath stands.
type Bath struct {
	Name     string
	Open     bool
	Since    time.Time // of this filling
	Stated   books.Stated
	Side     *stock.Stock // of the cathode; of an undivided cell the only one
	Anolyte  *stock.Stock // nil: none is stated
	Runs     []Stood      // of every filling, oldest first
	Newest   string       // the name of the ledger's newest line
	Entries  []runlog.Record
	Problems []string // what cannot be vouched for, in sentences

	running bool      // the last of Runs may still be told of
	From    time.Time // an entry of an earlier time cannot be booked: the filling began, or a run ended that began before
}

// Stood is a run that a bath was used in.
type Stood struct {
	Cell, Run    string
	Began, Ended time.Time
	Won          matter.Figure // kg onto the cathode
	Weighed      bool
}

// stoodIn is a run by what it took; what it won is told later.
func stoodIn(t *books.Taking) Stood {
	return Stood{Cell: t.Cell, Run: t.Run, Began: time.Unix(0, t.Began).UTC(), Ended: time.Unix(0, t.Ended).UTC()}
}

// metal is the name of what is won.
func (b *Bath) metal() matter.Metal {
	m, _ := matter.LookUp(b.Stated.Metal)
	return m
}

// ReadBath works out how a bath stands. The error of control.Unknown says that it has no ledger.
func ReadBath(data, name string) (*Bath, error) {
	lines, all, err := read(data, OfBath, name)
	if err != nil {
		return nil, err
	}
	b := standing(data, name, lines)
	for _, d := range all.Damage {
		b.Problems = append(b.Problems, fmt.Sprintf("bytes %d to %d of the ledger: %s", d.From, d.To, d.Reason))
	}
	if n := len(all.Records); n > 0 {
		b.Newest = all.Records[n-1].Name()
	}
	return b, nil
}

// standing walks the lines of a ledger that count.
func standing(data, name string, lines []runlog.Record) *Bath {
	b := &Bath{Name: name, Open: isOpen(lines)}
	var walks []walk
	for i := range lines {
		r := &lines[i]
		w := walk{at: control.EntryOf(r).At.UnixNano(), entry: r}
		switch r.Text("kind") {
		case lineClose:
			continue
		case lineRun:
			t, err := taking(r)
			if err != nil {
				b.Problems = append(b.Problems, err.Error())
				continue
			}
			w = walk{at: t.Began, run: t}
			if r.Flag(opensFlag) {
				w.stated = &t.Stated
			}
		case lineOpen:
			stated := statedOf(r)
			w.stated, w.entry = &stated, nil
		}
		i := len(walks)
		for w.entry != nil && i > 0 && walks[i-1].stated == nil && walks[i-1].at > w.at {
			i-- // an entry of an earlier time; runs stand in the order in which they ended, whatever their clocks said
		}
		walks = slices.Insert(walks, i, w)
	}
	unread := b.Problems
	b.Problems = nil
	for _, w := range walks {
		b.step(data, w)
	}
	b.told()
	b.Problems = append(unread, b.Problems...)
	return b
}

// walk is one thing that happened to a bath.
type walk struct {
	at     int64 // Unix ns
	stated *books.Stated
	run    *books.Taking
	entry  *runlog.Record
}

func (b *Bath) step(data string, w walk) {
	if w.stated != nil {
		b.told()
		s := *w.stated
		b.Stated, b.Since, b.Entries, b.Problems = s, time.Unix(0, w.at).UTC(), nil, nil
		b.Side = stock.Of(matter.GivenFigure(s.Mass, s.MassDoubt), matter.GivenFigure(s.Volume, s.VolumeDoubt), s.ByVolume)
		if b.Anolyte = nil; s.Anolyte > 0 {
			b.Anolyte = stock.Of(matter.GivenFigure(0, 0), matter.GivenFigure(s.Anolyte, s.AnolyteMore), false)
		}
	}
	switch {
	case b.Side == nil:
		b.Problems = append(b.Problems, "a line precedes the opening of the ledger")
	case w.run != nil:
		b.ran(data, w.run)
	case w.entry != nil:
		b.Entries = append(b.Entries, *w.entry)
		b.book(control.EntryOf(w.entry), nil)
	}
}

// ran lets a run take what it took, with what was entered into it and beside it by now.
func (b *Bath) ran(data string, t *books.Taking) {
	dir := filepath.Join(cursor.CellDir(data, t.Cell), t.Run)
	late, err := runlog.ReadLate(dir)
	if err != nil {
		b.Problems = append(b.Problems, fmt.Sprintf("the late entries of run %s cannot be read: %v", t.Run, err))
		late = new(runlog.Late)
	}
	factor, err := t.Recount(dir, runlog.Counting(late.Records))
	if err != nil {
		b.Problems = append(b.Problems, fmt.Sprintf("the late corrections of run %s are not followed: %v", t.Run, err))
	}
	entries := t.Counting(late.Records)
	weighed := &weighings{plan: b.converter()}
	b.told()
	b.Side.Begin()
	if s := t.Stated; b.Anolyte != nil && !(b.Anolyte.Volume().Value > 0) && s.Anolyte > 0 { // discarded, and filled anew
		b.Anolyte = stock.Of(matter.GivenFigure(0, 0), matter.GivenFigure(s.Anolyte, s.AnolyteMore), false)
	}
	now := books.Passed{At: t.Began}
	for _, e := range entries {
		now = b.pass(t, now, t.At(e.At.UnixNano()), factor)
		b.book(e, weighed)
	}
	end := t.At(t.Ended)
	b.pass(t, now, end, factor)
	if b.Anolyte != nil { // what crossed is there
		_ = b.Anolyte.Add(matter.GivenFigure(end.Crossed*factor, end.ByCrossing*factor), matter.Figure{})
	}
	stood := stoodIn(t)
	if deposit := weighed.sum(); deposit.Known() {
		b.Side.Weighed(deposit)
		stood.Weighed = true
	}
	b.Runs, b.running = append(b.Runs, stood), true
}

// told takes down what the last run brought onto its cathode, before another begins: what is measured after it tells of it too.
func (b *Bath) told() {
	if b.running {
		b.Runs[len(b.Runs)-1].Won, b.running = b.Side.Cathode(), false
	}
}

// pass takes what the run took from one moment to another.
func (b *Bath) pass(t *books.Taking, from, to books.Passed, factor float64) books.Passed {
	if to.At <= from.At {
		return from
	}
	b.Side.Take(stock.Stretch{
		Won: (to.Won - from.Won) * factor, Anode: (to.Anode - from.Anode) * factor, ByAnode: (to.ByAnode - from.ByAnode) * factor,
		Crossed: (to.Crossed - from.Crossed) * factor, ByCrossing: (to.ByCrossing - from.ByCrossing) * factor,
		ByEfficiency: to.ByEfficiency - from.ByEfficiency, ByTransfer: to.ByTransfer - from.ByTransfer, ByMetal: to.ByMetal - from.ByMetal,
		Relative: t.Doubt / math.Max(t.Charge, 1), Planned: t.Stated.Mass,
	})
	return to
}

// book lets an entry change what there is. What it weighs goes to weighed, nil outside of a run.
func (b *Bath) book(e control.Entry, weighed *weighings) {
	if err := b.try(e, weighed); err != nil {
		b.Problems = append(b.Problems, fmt.Sprintf("the %s by %s of %s is left out: %v", e.Kind, e.By, e.At.Local().Format(time.DateTime), err))
	}
}

func (b *Bath) try(e control.Entry, weighed *weighings) error {
	side := b.Side
	if OnAnolyte(e) {
		if side = b.Anolyte; side == nil && e.Kind == control.EntryDiscarded {
			return nil // nobody follows it
		} else if side == nil {
			return fmt.Errorf("no anolyte of bath %s is stated", b.Name)
		}
	}
	n := e.Numbers
	volume := bath.Measured(n, bath.LiquidVolume, bath.VolumeDoubt)
	switch e.Kind {
	case bath.EntryAddition, bath.EntryDose:
		kg, m3, err := b.added(e)
		if err != nil {
			return err
		}
		return side.Add(kg, matter.GivenFigure(m3, m3*volume.Relative()))
	case bath.EntryWater:
		if volume.Value < 0 {
			volume = bath.Measured(n, bath.LiquidVolume, bath.EvaporationDoubt)
		}
		return side.Add(matter.Figure{}, volume)
	case bath.EntrySample:
		return side.Draw(volume, false)
	case control.EntryDiscarded:
		if _, ok := n[bath.LiquidVolume]; ok && e.OfLiquid() {
			if most := side.Volume().Value; weighed != nil && volume.Value > most && volume.Value < 1.1*most {
				volume.Value = most // after a run the whole of a liquid is named by a round figure
			}
			return side.Draw(volume, true)
		}
	case bath.EntryMeasurement:
		if _, ok := n[bath.LiquidVolume]; ok {
			side.Measured(volume)
		}
	case bath.EntryAssay:
		side.Assay(b.found(e))
	case bath.EntryWeighing, bath.EntryDried:
		if weighed != nil {
			weighed.take(e)
		}
	}
	return nil
}

// OnAnolyte says whether an entry is of the liquid at the anode.
func OnAnolyte(e control.Entry) bool {
	where := strings.ToLower(e.Words[Side] + " " + e.Words["what"])
	return strings.Contains(where, "anolyte")
}

// found is what an assay states, kg/m3.
func (b *Bath) found(e control.Entry) matter.Figure {
	return bath.AssayOf(e.Booking(), b.metal().Element.Weight.Value, b.Stated.Mass/b.Stated.Volume)
}

// added is what an addition brings: kg of metal, and m3.
func (b *Bath) added(e control.Entry) (kg matter.Figure, m3 float64, err error) {
	p := b.converter()
	before := *p.Model.Catholyte()
	if _, err := p.Book(e.Booking(), bath.Plain); err != nil {
		return kg, 0, err
	}
	after := p.Model.Catholyte()
	molar := p.Metal.Element.Weight.Value
	return matter.GivenFigure((after.Supplied-before.Supplied)*molar, math.Sqrt(after.Doubt.Metal-before.Doubt.Metal)*molar), after.Volume - before.Volume, nil
}

// converter is a plan of any bath with the same metal, so thin that no salt is saturated, which knows what an entry says.
func (b *Bath) converter() *bath.Plan { return b.planOf(1e-6, 0, 1, 0) }

// planOf is a plan for a bath of so much metal, kg, and liquid, m3, each with its standard uncertainty. Its efficiency is any: of many metals
// none is usual, and nothing is won by it.
func (b *Bath) planOf(kg, kgDoubt, m3, m3Doubt float64) *bath.Plan {
	p, err := bath.NewPlan(bath.Order{
		Contents: bath.Contents{Metal: b.Stated.Metal, Valence: b.Stated.Valence, Medium: matter.Medium(b.Stated.Medium), Volume: matter.GivenFigure(m3, m3Doubt), MetalMass: matter.GivenFigure(kg, kgDoubt)},
		Target:   bath.Target{Charge: matter.GivenFigure(1, 0)}, Efficiency: bath.Efficiency{Fraction: matter.GivenFigure(1, 0)},
	})
	if err != nil {
		return nil
	}
	return p
}

// weighings keeps the last deposit of each electrode of a run.
type weighings struct {
	plan *bath.Plan // knows the blank
	last map[string]matter.Figure
}

func (w *weighings) take(e control.Entry) {
	_, _ = w.plan.Book(e.Booking(), bath.Plain)
	if deposit, _ := w.plan.Weighed(e.Booking()); deposit.Known() && deposit.Value > 0 {
		if w.last == nil {
			w.last = map[string]matter.Figure{}
		}
		w.last[strings.ToLower(strings.TrimSpace(e.Words[bath.Electrode]))] = deposit
	}
}

func (w *weighings) sum() (f matter.Figure) {
	for _, deposit := range w.last {
		f = matter.GivenFigure(f.Value+deposit.Value, math.Hypot(f.StandardUncertainty, deposit.StandardUncertainty))
	}
	return f
}
