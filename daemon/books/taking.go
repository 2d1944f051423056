package books

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/integrate"
	"nightcell/integrate/account"
	"nightcell/integrate/bath"
	"nightcell/integrate/matter"
	"nightcell/integrate/stock"
)

// Taking is what a run that has ended took out of its bath: all that the ledger of the bath must know of it besides the late entries.
type Taking struct {
	Cell, Run     string
	Began, Ended  int64  // Unix ns
	Sealed        int64  // bytes of the log up to its end
	SHA256        string // of these
	Charge, Doubt float64
	Stated        Stated
	Continues     string // as configs.Bath has it
	Bath          string
	Cathode       string `json:",omitempty"`
	Anode         string `json:",omitempty"`
	Course        []Passed
	Entries       []Made `json:",omitempty"` // of persons, in the log
}

// Stated is what the run began with, kg and m3.
type Stated struct {
	Metal, Medium        string
	Valence              int
	Mass, MassDoubt      float64
	Volume, VolumeDoubt  float64
	Anolyte, AnolyteMore float64 `json:",omitzero"` // volume and its standard uncertainty
	ByVolume             bool    `json:",omitzero"`
}

// Passed is what was taken by a moment as planned, kg, and how that changes.
type Passed struct {
	At int64 // Unix ns
	stock.Stretch
}

// Made is an entry with the time stamp that names it.
type Made struct {
	Nanos int64
	control.Entry
}

// mostPassed bounds the course that a ledger keeps of a run.
const mostPassed = 48

// importText begins the text of a run that was measured elsewhere, which took nothing out of a bath that is followed here.
const importText = "imported from "

// What says that a run has nothing to do with a ledger: no bath, not ended, or measured elsewhere.
var (
	ErrNoTaking = errors.New("the run took nothing out of a bath that is followed")
	ErrImported = fmt.Errorf("%w: it was measured elsewhere", ErrNoTaking)
)

// TakingOf works out what the run in a directory took. It changes nothing.
func TakingOf(runDir string) (*Taking, error) {
	cell, plan, err := Frozen(runDir, filepath.Base(filepath.Dir(filepath.Clean(runDir))))
	if err != nil {
		return nil, err
	}
	if plan == nil || cell == nil {
		return nil, ErrNoTaking
	}
	b := &Books{Run: filepath.Base(runDir)}
	run, totals, err := b.gather(runDir, nil)
	if err != nil {
		return nil, err
	}
	switch {
	case b.imported:
		return nil, ErrImported
	case b.Log.Sealed == 0:
		return nil, ErrNoTaking
	}
	t := &Taking{
		Cell: b.Log.Cell, Run: b.Run, Began: run.Begin, Ended: run.End, Sealed: b.Log.Sealed, Charge: totals.Charge, Doubt: totals.StandardUncertainty,
		Stated: StatedBy(cell, plan), Continues: cell.Bath.Continues, Bath: cell.Bath.Name, Cathode: cell.Electrodes.CathodeName, Anode: cell.Electrodes.AnodeName,
	}
	for i := range b.persons {
		t.Entries = append(t.Entries, Made{b.persons[i].Nanos, control.EntryOf(&b.persons[i])})
	}
	carried := 0.0
	if b.Log.Carried != nil {
		carried = b.Log.Carried.Charge
	}
	t.course(run, account.Subject{Plan: plan, Totals: totals, Carried: carried, Ended: true})
	log, err := sum(runDir, runlog.LogName, t.Sealed)
	t.SHA256 = log.SHA256
	return t, err
}

// StatedBy is what the configuration of a cell states of its bath.
func StatedBy(cell *configs.Cell, plan *bath.Plan) Stated {
	var anolyte matter.Figure
	if cell.Divided() {
		anolyte = cell.Bath.AnolyteVolume
	}
	return StatedOf(plan, cell.Bath.ByVolume(), anolyte)
}

// StatedOf is what a plan begins with, and beside it the liquid at the anode; byVolume as configs.Bath has it.
func StatedOf(plan *bath.Plan, byVolume bool, anolyte matter.Figure) Stated {
	s := Stated{Metal: plan.Metal.String(), Medium: string(plan.Medium), Valence: plan.Valence, Mass: plan.Amount.Value, MassDoubt: plan.Amount.StandardUncertainty,
		Volume: plan.Volume.Value, VolumeDoubt: plan.Volume.StandardUncertainty, ByVolume: byVolume, Anolyte: anolyte.Value, AnolyteMore: anolyte.StandardUncertainty}
	if s.AnolyteMore == 0 {
		s.AnolyteMore = s.Anolyte * bath.VolumeDoubt
	}
	return s
}

// course walks the bath along the run as planned, and again with each thing that the plan takes for true off by its doubt.
func (t *Taking) course(run *account.Run, s account.Subject) {
	plan := s.Plan
	fresh, charge := plan.Model.State(), s.Totals.Charge
	walk := func(change func(*bath.State)) []matter.Figure {
		state := fresh
		change(&state)
		if err := plan.Resume(state); err != nil {
			return nil // a doubt so wide that the model refuses it: nothing is told of it
		}
		return run.Account(s).Model
	}
	won := walk(func(*bath.State) {})
	molar, ends := plan.Metal.Element.Weight.Value, *plan.Model.Catholyte() // as a weighed anode left it
	anode, crossed := 0.0, 0.0                                              // kg/C
	if charge > 0 {
		anode, crossed = ends.Anode()*molar/charge, ends.Across()*molar/charge
	}
	up := walk(func(b *bath.State) { b.Efficiency = math.Min(b.Efficiency*(1+plan.Efficiency.Relative()), 1) })
	down := walk(func(b *bath.State) { b.Efficiency *= 1 - math.Min(plan.Efficiency.Relative(), 0.9) })
	faster := walk(func(b *bath.State) { b.MassTransfer *= 1 + plan.MassTransfer.Relative() })
	const more = 0.01
	richer := walk(func(b *bath.State) { b.Catholyte.Supplied *= 1 + more })
	_ = plan.Resume(fresh) // it was its own
	byAnode, byCrossing := ends.Uptake.Doubt()*molar/matter.Faraday, ends.Crossing.Doubt()*molar/matter.Faraday
	course := run.Account(account.Subject{Totals: s.Totals, Carried: s.Carried, Ended: true}).Course
	at := func(all []matter.Figure, i int) float64 {
		if all == nil {
			return won[i].Value
		}
		return all[i].Value
	}
	for k := range mostPassed + 1 {
		i := k * (len(won) - 1) / mostPassed
		if n := len(t.Course); i < 0 || n > 0 && t.Course[n-1].At == course[i].Nanos && i != len(won)-1 {
			continue
		}
		q := course[i].Coulombs
		t.Course = append(t.Course, Passed{course[i].Nanos, stock.Stretch{Won: won[i].Value, Anode: anode * q, ByAnode: byAnode * q, Crossed: crossed * q, ByCrossing: byCrossing * q,
			ByEfficiency: (at(up, i) - at(down, i)) / 2, ByTransfer: at(faster, i) - won[i].Value, ByMetal: (at(richer, i) - won[i].Value) / (more * plan.Amount.Value)}})
	}
}

// Check says how the log of a run is another one than the ledger took down; empty: it is that one.
func (t *Taking) Check(runDir string) string {
	switch log, err := sum(runDir, runlog.LogName, t.Sealed); {
	case err != nil:
		return fmt.Sprintf("the log of run %s cannot be read: %v", t.Run, err)
	case log.SHA256 != t.SHA256:
		return fmt.Sprintf("the log of run %s is another one than the ledger took down, by its SHA-256", t.Run)
	}
	return ""
}

// Recount is the charge of the run after late corrections of it, over what the ledger took down.
func (t *Taking) Recount(runDir string, late []runlog.Record) (float64, error) {
	var count *integrate.Coulometer
	for i := range late {
		switch late[i].Text("kind") {
		case runlog.EntryZero, runlog.EntryCheck, runlog.EntrySettle:
		default:
			continue
		}
		if count == nil {
			tail, err := runlog.TailOf(runDir)
			if err != nil || tail.Coulometer == nil {
				return 1, err
			}
			count = tail.Coulometer
		}
		_ = late[i].Correct(count) // it could be done when it was entered
	}
	if count == nil || !(t.Charge > 0) {
		return 1, nil
	}
	return count.Totals().Charge / t.Charge, nil
}

// At is what was taken by a moment, between the points of the course by a straight line.
func (t *Taking) At(nanos int64) Passed {
	i, _ := slices.BinarySearchFunc(t.Course, nanos, func(p Passed, at int64) int { return cmp.Compare(p.At, at) })
	switch n := len(t.Course); {
	case n == 0:
		return Passed{At: nanos}
	case i == 0:
		return t.Course[0]
	case i == n:
		return t.Course[n-1]
	}
	a, z := t.Course[i-1], t.Course[i]
	share := float64(nanos-a.At) / float64(z.At-a.At)
	return Passed{nanos, a.Plus(share, z.Plus(-1, a.Stretch))}
}

// Counting returns the entries of the log and those beside it that count, in the order in which they were so.
func (t *Taking) Counting(late []runlog.Record) []control.Entry {
	var all []runlog.Record
	for _, m := range t.Entries {
		all = append(all, runlog.Record{Kind: runlog.KindEntry, Cell: t.Cell, Nanos: m.Nanos,
			Fields: append([]runlog.Field{runlog.Text("kind", m.Kind), runlog.Text("text", m.Text)}, m.LogFields()...)})
	}
	var entries []control.Entry
	held := -1
	for _, r := range runlog.Counting(append(all, late...)) {
		switch bath.Outcome(r.Text("outcome")) {
		case bath.Held:
			held = len(entries)
		case bath.Withdrawn:
			if held >= 0 {
				entries, held = slices.Delete(entries, held, held+1), -1
			}
		}
		entries = append(entries, control.EntryOf(&r))
	}
	slices.SortStableFunc(entries, func(a, b control.Entry) int { return a.At.Compare(b.At) })
	return entries
}
