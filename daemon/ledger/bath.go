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
	"nightcell/daemon/runlog"
	"nightcell/integrate/account"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/stock"
)

// Side says in an entry which liquid of a divided cell is meant.
const Side = "side"

// Standing is how a bath or an electrode stands.
type Standing struct {
	Name     string
	Open     bool
	Since    time.Time // of this filling, or of the one electrode of several by this name
	Runs     []Stood   // oldest first; of a bath those of every filling
	Entries  []runlog.Record
	Problems []string // what cannot be vouched for, in sentences
	Newest   string   // the name of the ledger's newest line
}

// Stood is a run that a bath was used in, or that an electrode stood in.
type Stood struct {
	Cell, Run    string
	Began, Ended time.Time
	Won          matter.Figure // kg onto the cathode
	Weighed      bool
	Role, Bath   string // of an electrode
}

// stoodIn is a run by what it took; what it won is told later.
func stoodIn(t *books.Taking) Stood {
	return Stood{Cell: t.Cell, Run: t.Run, Began: time.Unix(0, t.Began).UTC(), Ended: time.Unix(0, t.Ended).UTC()}
}

// vouch takes what the lines of the ledger say of themselves.
func (s *Standing) vouch(all *runlog.Late) {
	for _, d := range all.Damage {
		s.Problems = append(s.Problems, fmt.Sprintf("bytes %d to %d of the ledger: %s", d.From, d.To, d.Reason))
	}
	if n := len(all.Records); n > 0 {
		s.Newest = all.Records[n-1].Name()
	}
}

// late are the directory of a run, and its late entries.
func (s *Standing) late(data string, t *books.Taking) (dir string, entries []runlog.Record) {
	dir = runDir(data, t)
	late, err := runlog.ReadLate(dir)
	if err != nil {
		s.Problems = append(s.Problems, fmt.Sprintf("the late entries of run %s cannot be read: %v", t.Run, err))
		return dir, nil
	}
	return dir, late.Records
}

func runDir(data string, t *books.Taking) string {
	return filepath.Join(runlog.CellDir(data, t.Cell), t.Run)
}

// inOrder are the lines, those of entries as they were so; a run counts at its end, when its deposit is there. Runs stand in the order in which
// they ended, whatever their clocks said, and nothing moves behind what began anew.
func inOrder(lines []runlog.Record) []*runlog.Record {
	anew := func(r *runlog.Record) bool {
		kind := r.Text("kind")
		return kind == lineOpen || kind == lineClose || r.Flag(opensFlag)
	}
	var all []*runlog.Record
	for i := range lines {
		r, j := &lines[i], len(all)
		for !anew(r) && r.Text("kind") != lineRun && j > 0 && !anew(all[j-1]) && counts(all[j-1]).After(counts(r)) {
			j--
		}
		all = slices.Insert(all, j, r)
	}
	return all
}

// counts is when a line counts: a run's at its end.
func counts(r *runlog.Record) time.Time {
	if ended, ok := r.Integer("ended"); ok {
		return time.Unix(0, ended)
	}
	return control.EntryOf(r).At
}

// Bath is how a bath stands.
type Bath struct {
	Standing
	Stated  books.Stated
	Side    *stock.Stock // of the cathode; of an undivided cell the only one
	Anolyte *stock.Stock // nil: none is stated

	running bool // the last of Runs may still be told of
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
	b.vouch(all)
	return b, nil
}

// standing walks the lines of a ledger that count.
func standing(data, name string, lines []runlog.Record) *Bath {
	b := &Bath{Standing: Standing{Name: name, Open: isOpen(lines)}}
	var unread []string
	for _, r := range inOrder(lines) {
		kind, t := r.Text("kind"), (*books.Taking)(nil)
		if kind == lineRun {
			var err error
			if t, err = taking(r); err != nil {
				unread = append(unread, err.Error())
				continue
			}
			if r.Flag(opensFlag) {
				b.fill(t.Stated, t.Began)
			}
		}
		switch {
		case kind == lineOpen:
			b.fill(statedOf(r), control.EntryOf(r).At.UnixNano())
		case kind == lineClose:
		case b.Side == nil:
			b.Problems = append(b.Problems, "a line precedes the opening of the ledger")
		case t != nil:
			b.ran(data, t)
		default:
			b.Entries = append(b.Entries, *r)
			b.book(control.EntryOf(r), nil)
		}
	}
	b.told()
	b.Problems = append(unread, b.Problems...)
	return b
}

// fill begins a filling at Unix ns.
func (b *Bath) fill(s books.Stated, at int64) {
	b.told()
	b.Stated, b.Since, b.Entries, b.Problems = s, time.Unix(0, at).UTC(), nil, nil
	b.Side = stock.Of(matter.GivenFigure(s.Mass, s.MassDoubt), matter.GivenFigure(s.Volume, s.VolumeDoubt), s.ByVolume)
	b.Anolyte = anolyte(s)
}

// anolyte is what is stated of the liquid at the anode.
func anolyte(s books.Stated) *stock.Stock {
	if !(s.Anolyte > 0) {
		return nil
	}
	return stock.Of(matter.GivenFigure(0, 0), matter.GivenFigure(s.Anolyte, s.AnolyteMore), false)
}

// ran lets a run take what it took, with what was entered into it and beside it by now.
func (b *Bath) ran(data string, t *books.Taking) {
	dir, late := b.late(data, t)
	factor, err := t.Recount(dir, runlog.Counting(late))
	if err != nil {
		b.Problems = append(b.Problems, fmt.Sprintf("the late corrections of run %s are not followed: %v", t.Run, err))
	}
	weighed := &account.Weighings{Plan: b.converter()}
	b.told()
	b.Side.Begin(t.Doubt/math.Max(t.Charge, 1), t.Stated.Mass)
	if b.Anolyte != nil && !(b.Anolyte.Volume().Value > 0) && t.Stated.Anolyte > 0 { // discarded, and filled anew
		b.Anolyte = anolyte(t.Stated)
	}
	now := books.Passed{At: t.Began}
	for _, e := range t.Counting(late) {
		now = b.pass(now, t.At(e.At.UnixNano()), factor)
		b.book(e, weighed)
	}
	end := t.At(t.Ended)
	b.pass(now, end, factor)
	if b.Anolyte != nil { // what crossed is there
		_ = b.Anolyte.Add(matter.GivenFigure(end.Crossed*factor, end.ByCrossing*factor), matter.Figure{})
	}
	stood := stoodIn(t)
	if deposit := weighed.Sum(); deposit.Known() {
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
func (b *Bath) pass(from, to books.Passed, factor float64) books.Passed {
	if to.At <= from.At {
		return from
	}
	d := to.Plus(-1, from.Stretch)
	for _, x := range []*float64{&d.Won, &d.Anode, &d.ByAnode, &d.Crossed, &d.ByCrossing} {
		*x *= factor
	}
	b.Side.Take(d)
	return to
}

// book lets an entry change what there is. What it weighs goes to weighed, nil outside of a run.
func (b *Bath) book(e control.Entry, weighed *account.Weighings) {
	if err := b.try(e, weighed); err != nil {
		b.Problems = append(b.Problems, fmt.Sprintf("the %s by %s of %s is left out: %v", e.Kind, e.By, e.At.Local().Format(time.DateTime), err))
	}
}

func (b *Bath) try(e control.Entry, weighed *account.Weighings) error {
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
			_, _ = weighed.Plan.Book(e.Booking(), bath.Plain) // which knows the blank then
			weighed.Take(e.Booking())
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
		Target:   bath.Target{Form: bath.Charge, Value: matter.GivenFigure(1, 0)}, Efficiency: bath.Efficiency{Fraction: matter.GivenFigure(1, 0)},
	})
	if err != nil {
		return nil
	}
	return p
}
