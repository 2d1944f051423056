package bath

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"nightcell/integrate/matter"
)

// Goal is the answer: how much charge, for how long, and what for. Figures
// carry standard uncertainties; Low and High are the charge at k = 2.
type Goal struct {
	Theoretical matter.Figure // C that the metal of the target takes at an efficiency of 1; its doubt is that of the metal asked for
	Charge      matter.Figure // C to pass, as the supply counts it
	Low, High   float64       // C
	Budget      []Share       // of the charge's uncertainty, largest first
	Duration    matter.Figure // s; not Known when no current is stated
	Deposit     matter.Figure // kg that passing Charge wins
	DepositFrom []Share       // of the deposit's uncertainty, largest first, in kg
	Recovered   matter.Figure // share of the metal
	Left        matter.Figure // kg of metal per m3 in the bath then
	// Anode is the kg of metal that the anode takes meanwhile, below zero gives back. Crossed is what gets through the separator. Deposit, both
	// and what is Left are the metal in the bath.
	Anode      matter.Figure
	Crossed    matter.Figure
	Overall    float64 // efficiency of the whole charge
	Marginal   float64 // efficiency of its last moment
	RatioBegin float64 // i/i_lim at the beginning; 0 without a transfer limit
	RatioEnd   float64 // and at the end
	Critical   float64 // kg/m3 below which the efficiency falls; 0 without a transfer limit
}

// Share is what one source adds to a standard uncertainty, in the same unit.
// Its square over the square of the whole is its part.
type Share struct {
	Source string
	Amount float64
	Mark   matter.Mark // of the doubt itself: assumed where a default stands for one that nobody stated
}

// shift is one truth moved by its standard uncertainty: sign is +1 or -1.
type shift struct {
	source string
	mark   matter.Mark // of its doubt
	apply  func(s *scenario, sign float64)
	set    func(s *scenario, end float64) // to one of its ends; nil: it has no limits
	ends   [2]float64
}

// shifts lists what the answer depends on.
func (p *Plan) shifts() []shift {
	var all []shift
	stated := p.order
	add := func(source string, mark matter.Mark, relative float64, apply func(s *scenario, factor float64)) {
		if relative > 0 {
			all = append(all, shift{source: source, mark: mark, apply: func(s *scenario, sign float64) { apply(s, 1+sign*relative) }})
		}
	}
	volume := p.Volume.Relative()
	seen := false
	for _, d := range p.amount.doubts {
		if d.source == "volume" {
			seen = true
			add("volume", d.mark, volume, func(s *scenario, f float64) {
				s.batch.Volume *= f
				s.amount *= 1 + (f-1)*d.relative/volume // only what was stated by concentration goes with the volume
			})
			continue
		}
		add(d.source, d.mark, d.relative, func(s *scenario, f float64) { s.amount *= f })
	}
	if !seen {
		add("volume", doubtMark(stated.Contents.Volume), volume, func(s *scenario, f float64) { s.batch.Volume *= f })
	}
	if f := p.Efficiency; f.Skewed() {
		all = append(all, shift{efficiencySource, doubtMark(stated.Efficiency.Fraction), func(s *scenario, sign float64) { s.batch.Efficiency *= math.Exp(sign * f.Relative()) },
			func(s *scenario, end float64) { s.batch.Efficiency = end }, [2]float64{f.Low, f.High}})
	} else {
		add(efficiencySource, doubtMark(stated.Efficiency.Fraction), f.Relative(), func(s *scenario, f float64) { s.batch.Efficiency = math.Min(s.batch.Efficiency*f, 1) })
	}
	if f := p.MassTransfer; f.Known() {
		mark := f.Mark
		if stated.Efficiency.Stirring == "" {
			mark = doubtMark(stated.Efficiency.MassTransfer)
		}
		add("mass transfer", mark, f.Relative(), func(s *scenario, f float64) { s.batch.MassTransfer *= f })
	}
	if u := p.Anode.Uptake(); u.Doubt() > 0 {
		mark := p.Anode.Share.Mark
		if p.Anode.Stated {
			mark = doubtMark(stated.Anode.Loss)
		}
		all = append(all, shift{"anode loss", mark, func(s *scenario, sign float64) { s.batch.Anode += sign * u.Doubt() },
			func(s *scenario, end float64) { s.batch.Anode = end }, [2]float64{u.Low, u.High}})
	}
	if u := p.Crossing; u.Doubt() > 0 {
		all = append(all, shift{"separator", stated.Contents.Crossing.Mark, func(s *scenario, sign float64) {
			s.batch.Crossing = math.Max(u.Low, math.Min(u.High, u.Best+sign*u.Doubt()))
		},
			func(s *scenario, end float64) { s.batch.Crossing = end }, [2]float64{u.Low, u.High}})
	}
	add("cathode area", doubtMark(stated.Conditions.CathodeArea), p.conditions.CathodeArea.Relative(), func(s *scenario, f float64) { s.batch.Area *= f })
	add("current", doubtMark(stated.Conditions.Current), p.conditions.Current.Relative(), func(s *scenario, f float64) { s.amperes *= f })
	if p.order.Target.Form == Marginal {
		add("cell voltage", doubtMark(stated.Conditions.CellVoltage), p.conditions.CellVoltage.Relative(), func(s *scenario, f float64) { s.volts *= f })
	}
	return all
}

// The answers of a scenario to a charge, in the units of Goal: charge and time to the target and the metal that it asks for, which are NaN
// where it is out of reach; then what the charge leads to.
const (
	toCharge = iota
	toSeconds
	toWin // kg
	byDeposit
	byRecovered
	byLeft
	byAnode
	byCrossing
)

type answers [byCrossing + 1]float64

// answers solves a scenario, and follows a charge in it.
func (s scenario) answers(charge float64) answers {
	won, left := s.wonBy(charge)
	anode, crossed := s.batch.parted(s.amount-won-left, charge/matter.Faraday)
	a := answers{math.NaN(), math.NaN(), math.NaN(), won * s.molar, won / s.amount, left * s.molar / s.batch.Volume, anode * s.molar, crossed * s.molar}
	if o, err := s.solve(); err == nil {
		a[toCharge], a[toSeconds], a[toWin] = o.charge, o.seconds, o.deposit*s.molar
	}
	return a
}

// halfway is half of what moves between below and above; where one is out of reach, the other side speaks for both.
func halfway(below, best, above float64) float64 {
	switch {
	case math.IsNaN(below) && math.IsNaN(above):
		return 0
	case math.IsNaN(below):
		return above - best
	case math.IsNaN(above):
		return best - below
	}
	return (above - below) / 2
}

// corners are the scenarios at the ends of what is known within limits alone.
func (p *Plan) corners(shifts []shift) []scenario {
	all := []scenario{p.scenario}
	for _, shift := range shifts {
		if shift.set == nil {
			continue
		}
		var moved []scenario
		for _, s := range all {
			for _, end := range shift.ends {
				shift.set(&s, end)
				moved = append(moved, s)
			}
		}
		all = moved
	}
	return all
}

const efficiencySource = "efficiency"

// goal solves the nominal scenario and then each shifted one.
func (p *Plan) goal() (Goal, error) {
	nominal := p.scenario
	best, err := nominal.solve()
	if err != nil {
		return Goal{}, err
	}
	perMole, answer := nominal.batch.perMole(), nominal.answers(best.charge)
	left := max(nominal.amount-best.deposit-best.lost, 0) // not the rounding
	g := Goal{
		Overall:  best.deposit * perMole / best.charge,
		Marginal: nominal.batch.Marginal(left, nominal.amperes),
		Critical: nominal.batch.Critical(nominal.amperes) * nominal.molar / nominal.batch.Volume,

		RatioBegin: nominal.batch.LoadRatio(nominal.amount, nominal.amperes),
		RatioEnd:   nominal.batch.LoadRatio(left, nominal.amperes),
	}
	var all, others answers // variances; others of what has no limits
	book := func(source string, u answers, mark matter.Mark, limited bool) {
		g.Budget = append(g.Budget, Share{source, u[toCharge], mark})
		g.DepositFrom = append(g.DepositFrom, Share{source, u[byDeposit], mark})
		for i := range u {
			all[i] += u[i] * u[i]
			if !limited {
				others[i] += u[i] * u[i]
			}
		}
	}
	shifts := p.shifts()
	for _, shift := range shifts {
		low, high := nominal, nominal
		shift.apply(&low, -1)
		shift.apply(&high, +1)
		u, below, above := answers{}, low.answers(best.charge), high.answers(best.charge)
		for i := range u {
			u[i] = math.Abs(halfway(below[i], answer[i], above[i]))
		}
		book(shift.source, u, shift.mark, shift.set != nil)
	}
	if meter := math.Hypot(p.order.Meter.GainRelative*best.charge, p.order.Meter.OffsetAmperes*best.seconds) / math.Sqrt(3); meter > 0 {
		book("meter", answers{toCharge: meter, byDeposit: meter * g.Marginal / perMole * nominal.molar}, matter.Given, false)
	}
	g.Budget, g.DepositFrom = sorted(g.Budget, best.charge), sorted(g.DepositFrom, answer[byDeposit])
	least, most := answer, answer
	for _, corner := range p.corners(shifts) {
		for i, end := range corner.answers(best.charge) {
			if !math.IsNaN(end) {
				least[i], most[i] = math.Min(least[i], end), math.Max(most[i], end)
			}
		}
	}
	var moved [len(answer)]bool // by what is known within limits alone
	for i := range answer {     // the doubts are independent
		moved[i] = most[i]-least[i] > 1e-9*math.Abs(answer[i])
		least[i], most[i] = answer[i]-math.Hypot(answer[i]-least[i], 2*math.Sqrt(others[i])), answer[i]+math.Hypot(most[i]-answer[i], 2*math.Sqrt(others[i]))
		if i != byAnode || !p.Anode.Soluble {
			least[i] = math.Max(least[i], 0)
		}
	}
	mark := p.answerMark()
	made := func(i int) matter.Figure {
		f := matter.Figure{Value: answer[i], StandardUncertainty: math.Sqrt(all[i]), Mark: mark}
		if moved[i] {
			f.Low, f.High = least[i], most[i]
		}
		return f
	}
	g.Charge, g.Deposit, g.Recovered, g.Left, g.Anode, g.Crossed = made(toCharge), made(byDeposit), made(byRecovered), made(byLeft), made(byAnode), made(byCrossing)
	g.Theoretical = matter.Figure{Value: best.deposit * perMole, StandardUncertainty: math.Sqrt(all[toWin]) / nominal.molar * perMole, Mark: mark}
	if best.seconds > 0 {
		g.Duration = made(toSeconds)
		g.Duration.Mark = matter.Weakest(mark, p.conditions.Current.Mark)
	}
	g.Recovered.High = math.Min(g.Recovered.High, 1)
	g.Low, g.High = least[toCharge], most[toCharge]
	p.goalAtAnode(&g)
	return g, nil
}

// goalAtAnode marks what the anode takes, and says where that may be so much that the target is out of reach.
func (p *Plan) goalAtAnode(g *Goal) {
	u := p.Anode.Uptake()
	g.Left.Mark = matter.Weakest(g.Left.Mark, p.Anode.Share.Mark, p.Crossing.mark(p.order.Contents.Crossing))
	if g.Crossed.Mark = g.Left.Mark; p.Crossing == (Uptake{}) {
		g.Crossed = matter.Figure{Mark: g.Left.Mark}
	}
	if g.Anode.Mark = g.Left.Mark; u == (Uptake{}) {
		g.Anode = matter.Figure{Mark: g.Left.Mark} // not the rounding
		return
	}
	s := p.scenario
	s.batch.Anode = u.High
	if end := s.answers(g.Charge.Value); math.IsNaN(end[toCharge]) && !p.Anode.Soluble {
		p.Notes = append(p.Notes, fmt.Sprintf("If the anode takes metal with %.3g %% of its charge, the target is out of reach: the planned charge then deposits %.3g g and leaves %.2g g/L.",
			100*p.Anode.Share.High, end[byDeposit]*1e3, end[byLeft]))
	}
}

// answerMark is the weakest mark of what went into the charge. Current and area
// count where the transfer of metal or a thickness brings them in, the voltage in a marginal stop.
func (p *Plan) answerMark() matter.Mark {
	marks := []matter.Mark{p.amount.mark, p.Volume.Mark, p.Efficiency.Mark, p.order.Target.Value.Mark}
	if p.MassTransfer.Known() {
		marks = append(marks, p.MassTransfer.Mark, p.conditions.Current.Mark, p.conditions.CathodeArea.Mark)
	}
	if p.MassTransfer.Known() || p.order.Target.Form == Concentration { // else the cathode takes its share whatever the anode does
		marks = append(marks, p.Anode.Share.Mark, p.Crossing.mark(p.order.Contents.Crossing))
	}
	switch p.order.Target.Form {
	case Thickness:
		marks = append(marks, p.conditions.CathodeArea.Mark, p.Metal.Density.Mark)
	case Marginal:
		marks = append(marks, p.conditions.CellVoltage.Mark)
	}
	return matter.Weakest(marks...)
}

// sorted puts the largest first and leaves out what adds nothing to the value but rounding.
func sorted(shares []Share, value float64) []Share {
	shares = slices.DeleteFunc(shares, func(s Share) bool { return !(s.Amount > 1e-12*value) })
	slices.SortStableFunc(shares, func(a, b Share) int { return cmp.Compare(b.Amount, a.Amount) })
	return shares
}
