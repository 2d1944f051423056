package account

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nightcell/integrate"
	"nightcell/integrate/bath"
	"nightcell/integrate/electrolysis"
	"nightcell/integrate/matter"
)

// EntryCost is the kind of entry that says what something of the run cost, in the money of the energy's price.
const (
	EntryCost = "cost"
	CostSum   = "amount"
)

// Subject is what a run was configured as and counted.
type Subject struct {
	Plan  *bath.Plan               // fresh; nil: nobody stated a bath and a target
	Cell  *electrolysis.Conditions // nil: nothing to judge gas and acid by. Charge, current and efficiency are filled in
	Price matter.Figure            // money per kWh; not Known: none is stated
	// Totals is what the coulometer counted, Carried what of its charge (C) was counted before this log was begun anew.
	Totals  integrate.Totals
	Carried float64
	Ended   bool
}

// Mass is one way to the mass of the deposit.
type Mass struct {
	Name    string
	Deposit matter.Figure // kg; not Known: it cannot be had, and Missing says why
}

// Pair is how two masses agree.
type Pair struct {
	Of, Against     string
	NormalizedError float64
}

// Stage is the run between two assays, or from the stated bath to the first.
type Stage struct {
	From, To   int64
	Coulombs   float64
	Won        matter.Figure // kg
	Efficiency matter.Figure
}

// Balance is the metal of the bath, kg: Supplied = Samples + Deposit + Anode + Crossed + Left + Unaccounted.
type Balance struct {
	Supplied, Samples, Deposit, Anode, Crossed, Left, Unaccounted matter.Figure // Anode is what it took by the model; below zero it gave metal. Unaccounted is Known when Left was assayed; else Left is what remains
}

// Cost is one part of what the run cost. The price of energy has no currency of its own: that of the other costs is meant.
type Cost struct {
	For      string
	Sum      float64
	Currency string
}

// Account is the books of a run. A figure that cannot be had is not Known.
type Account struct {
	Subject
	Run    *Run
	Course []Point
	Model  []matter.Figure // kg of deposit at each point of Course as planned under the current that flowed; nil without a plan

	MeanVolts, MeanAmperes, Density matter.Figure // by charge; while the output was on; over the cathode's area, A/m²
	Energy                          matter.Figure // J

	Masses         []Mass // weighed; with a plan also assayed and planned
	Pairs          []Pair
	Combined       Combined
	Deposit        matter.Figure // kg: Combined where it is consistent, else the first of Masses there is
	Efficiency     matter.Figure // by what was weighed and assayed; not Known without
	Stages         []Stage
	Marginal       matter.Figure // efficiency of the last moment
	EnergyPerMass  matter.Figure // J/kg
	Balance        *Balance
	Fit            *bath.Fit
	Resistance     matter.Figure // ohm, of cell and leads to a step of the current
	Loads          *electrolysis.Assessment
	Tests          []Identity
	Costs          []Cost
	CostPerMass    matter.Figure // money per kg
	Currency       string        // of all costs; empty: nobody stated it
	Missing, Notes []string      // what would say more, and what was left out and why
}

// The ways to the mass.
const (
	Weighed = "weighed"
	Assayed = "assay"
	Planned = "charge, as planned"
)

// Account works out the books of what r has gathered.
func (r *Run) Account(s Subject) *Account {
	a := &Account{Subject: s, Run: r, Course: r.course(s.Carried, s.Totals.Charge)}
	b := &book{plan: s.Plan, course: a.Course, weighed: Weighings{Plan: cmp.Or(s.Plan, &bath.Plan{Model: new(bath.Drawdown)})}}
	for _, alarm := range r.Alarms {
		if alarm.Condition == hardShort {
			b.shorts = append(b.shorts, alarm)
		}
	}
	entries := slices.SortedStableFunc(slices.Values(r.Entries), func(a, b Entry) int { return cmp.Compare(a.At, b.At) }) // as they were so
	var planned float64
	if s.Plan == nil {
		for _, e := range entries {
			b.weigh(e)
		}
		a.missing("the frozen configuration has no bath and target, so efficiency and balance cannot be computed")
	} else {
		b.molar = s.Plan.Metal.Element.Weight.Value
		fresh := s.Plan.Model.State()
		b.gather(entries)
		planned = s.Plan.Deposit()
		for _, kg := range b.won {
			a.Model = append(a.Model, matter.Figure{Value: kg, StandardUncertainty: kg * s.Plan.Efficiency.Relative(), Mark: s.Plan.Efficiency.Mark})
		}
		notes := b.notes
		if err := s.Plan.Resume(fresh); err != nil {
			panic(err) // a state that the same model gave
		}
		b.walk(entries, true, func(Entry) {})
		b.notes = notes // said once
	}
	a.electric()
	a.masses(b, planned)
	if s.Plan != nil {
		a.fit(b)
		a.efficiency(b)
		a.balance(b)
		a.loads(b.shunted)
	}
	if slope, u := a.Run.steps.Slope(); slope > 0 {
		a.Resistance = matter.Figure{Value: slope, StandardUncertainty: u, Mark: matter.Measured, Source: "steps of the working current"}
	}
	a.costs(entries)
	for _, e := range entries {
		if e.Kind == EntryIdentity {
			a.Tests = append(a.Tests, b.identify(e))
		}
	}
	if len(a.Tests) == 0 {
		a.missing("the deposit's identity was not tested: hydrogen over water from a dissolved piece, an assay, or a test in words")
	}
	a.Notes = append(a.Notes, b.notes...)
	return a
}

// Planned is the deposit that the charge makes as planned, kg; not Known without a plan.
func (a *Account) Planned() (f matter.Figure) {
	for _, m := range a.Masses {
		if m.Name == Planned {
			f = m.Deposit
		}
	}
	return f
}

func (a *Account) missing(text string) { a.Missing = append(a.Missing, text) }

// electric fills in what volts and amperes tell alone.
func (a *Account) electric() {
	t := a.Totals
	relative := math.Sqrt(math.Max(t.StandardUncertainty*t.StandardUncertainty-t.Budget.Gaps*t.Budget.Gaps, 0)) / t.ObservedCharge // of what was seen
	a.Energy = matter.Figure{Value: t.Energy, StandardUncertainty: t.EnergyStandardUncertainty, Mark: matter.Measured}
	if t.Charge > 0 {
		a.MeanVolts = matter.Ratio(a.Energy, matter.Figure{Value: t.Charge, Mark: matter.Measured})
	}
	if amperes := t.ObservedCharge / a.Run.On; a.Run.On > 0 && amperes > 0 {
		a.MeanAmperes = matter.Figure{Value: amperes, StandardUncertainty: amperes * relative, Mark: matter.Measured}
		if p := a.Plan; p != nil {
			if area := p.Conditions().CathodeArea; area.Known() {
				a.Density = matter.Ratio(a.MeanAmperes, area)
			} else {
				a.missing("the cathode area is not configured, so current density, gas, acid and water are missing")
			}
		}
	}
}

// masses sets the three ways to the mass beside each other.
func (a *Account) masses(b *book, planned float64) {
	weighed := b.weighed.Sum()
	if !weighed.Known() {
		a.missing("the deposit was not weighed, or the electrode's mass before the run was not entered: the efficiency rests on assays or on the plan alone")
	}
	a.Masses = []Mass{{Name: Weighed, Deposit: weighed}}
	var assayed, charged matter.Figure
	if p := a.Plan; p != nil {
		if planned > 0 {
			charged = matter.Figure{Value: planned, StandardUncertainty: planned * math.Hypot(p.Efficiency.Relative(), a.Totals.StandardUncertainty/a.Totals.Charge),
				Mark: p.Efficiency.Mark, Source: "charge × equivalent × efficiency"}
		}
		if len(b.assays) == 0 {
			a.missing("no assay shows what is left in the bath")
		} else {
			assayed = a.drop(b, planned)
		}
		a.Masses = append(a.Masses, Mass{Assayed, assayed}, Mass{Planned, charged})
	}
	for i, x := range a.Masses {
		for _, y := range a.Masses[:i] {
			if x.Deposit.Known() && y.Deposit.Known() {
				a.Pairs = append(a.Pairs, Pair{y.Name, x.Name, NormalizedError(y.Deposit, x.Deposit)})
			}
		}
	}
	a.Combined = Combine(weighed, assayed, charged)
	if a.Deposit = a.Combined.Mean; a.Combined.Count > 1 && !a.Combined.Consistent() {
		for _, m := range a.Masses {
			if m.Deposit.Known() {
				a.Deposit = m.Deposit
				a.Notes = append(a.Notes, "the masses disagree by more than their uncertainties: at least one is wrong; until it is found the first is used, "+m.Name)
				break
			}
		}
	}
}

// early is the share of the charge until which the first assay stands for the beginning.
const early = 0.01

// start is the bath at the beginning of what assays tell: the first of them if it came early, else what is stated.
func (a *Account) start(b *book) (first assay, rest []assay, stated bool) {
	if len(b.assays) > 1 && b.assays[0].Charge <= early*a.Totals.Charge {
		return b.assays[0], b.assays[1:], false
	}
	p := a.Plan
	c := p.Amount.Value / p.Volume.Value
	u := p.Amount.Relative()
	return assay{At: a.Course[0].Nanos, Charge: a.Course[0].Coulombs, Found: matter.Figure{Value: c, StandardUncertainty: c * u, Mark: p.Amount.Mark}, Volume: p.Volume.Value, Supplied: p.Amount.Value}, b.assays, true
}

// won is the metal that left the bath for the cathode between two assays. The volume is one figure in both, so its error multiplies the
// fall; not so that of a stated amount, which has its own.
func (a *Account) won(x, y assay, stated bool) matter.Figure {
	kg := x.mass() - y.mass() + (y.Supplied - x.Supplied) - (y.Sampled - x.Sampled) - (y.Anode - x.Anode)
	shared := x.mass() - y.mass()
	if stated {
		shared = y.mass()
	}
	u := math.Hypot(x.Found.StandardUncertainty*x.Volume, y.Found.StandardUncertainty*y.Volume)
	return matter.Figure{Value: kg, StandardUncertainty: math.Hypot(u, shared*a.Plan.Volume.Relative()), Mark: matter.Weakest(x.Found.Mark, y.Found.Mark), Source: "drop × volume"}
}

// drop is the deposit by the fall of the assays, and by the plan for what was won after the last one.
func (a *Account) drop(b *book, planned float64) matter.Figure {
	first, rest, stated := a.start(b)
	last := rest[len(rest)-1]
	f := a.won(first, last, stated)
	tail := planned - last.Won
	f.Value += tail
	f.StandardUncertainty = math.Hypot(f.StandardUncertainty, tail*a.Plan.Efficiency.Relative())
	if tail > early*planned {
		f.Source += fmt.Sprintf("; the last %.3g g by the plan", tail*1e3)
	}
	if !(f.Value > 0) {
		a.Notes = append(a.Notes, fmt.Sprintf("the assays say that %.4g g left the bath, which is not a deposit; they are left out", f.Value*1e3))
		return matter.Figure{}
	}
	return f
}
