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
	// Anode is the kg of metal that the anode takes meanwhile, below zero gives back, and the ends of its range; Deposit, Anode
	// and what is Left are the metal in the bath. LeftLow and LeftHigh hold Left at both ends, at k = 2 of the other doubts.
	Anode               matter.Figure
	AnodeLow, AnodeHigh float64
	LeftLow, LeftHigh   float64 // kg/m3
	Overall             float64 // efficiency of the whole charge
	Marginal            float64 // efficiency of its last moment
	RatioBegin          float64 // i/i_lim at the beginning; 0 without a transfer limit
	RatioEnd            float64 // and at the end
	Critical            float64 // kg/m3 below which the efficiency falls; 0 without a transfer limit
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
	apply  func(s *scenario, sign float64)
}

const efficiencySource = "efficiency"

// shifts lists what the answer depends on.
func (p *Plan) shifts() []shift {
	var all []shift
	add := func(source string, relative float64, apply func(s *scenario, factor float64)) {
		if relative > 0 {
			all = append(all, shift{source, func(s *scenario, sign float64) { apply(s, 1+sign*relative) }})
		}
	}
	volume := p.settled.volume.Relative()
	seen := false
	for _, d := range p.settled.amount.doubts {
		if d.source == "volume" {
			seen = true
			add("volume", volume, func(s *scenario, f float64) {
				s.batch.Volume *= f
				s.amount *= 1 + (f-1)*d.relative/volume // only what was stated by concentration goes with the volume
			})
			continue
		}
		add(d.source, d.relative, func(s *scenario, f float64) { s.amount *= f })
	}
	if !seen {
		add("volume", volume, func(s *scenario, f float64) { s.batch.Volume *= f })
	}
	if f := p.efficiency.fraction; f.Skewed() {
		all = append(all, shift{efficiencySource, func(s *scenario, sign float64) { s.batch.Efficiency *= math.Exp(sign * f.Relative()) }})
	} else {
		add(efficiencySource, f.Relative(), func(s *scenario, f float64) { s.batch.Efficiency = math.Min(s.batch.Efficiency*f, 1) })
	}
	if p.efficiency.transfer.Known() {
		add("mass transfer", p.efficiency.transfer.Relative(), func(s *scenario, f float64) { s.batch.MassTransfer *= f })
	}
	if u := p.Anode.Uptake(); u.doubt() > 0 {
		all = append(all, shift{anodeSource, func(s *scenario, sign float64) { s.batch.Anode += sign * u.doubt() }})
	}
	add("cathode area", p.conditions.CathodeArea.Relative(), func(s *scenario, f float64) { s.batch.Area *= f })
	add("current", p.conditions.Current.Relative(), func(s *scenario, f float64) { s.amperes *= f })
	if p.form.name == formMarginal {
		add("cell voltage", p.conditions.CellVoltage.Relative(), func(s *scenario, f float64) { s.volts *= f })
	}
	return all
}

// goal solves the nominal scenario and then each shifted one.
func (p *Plan) goal() (Goal, error) {
	nominal := p.scenario
	best, err := nominal.solve()
	if err != nil {
		return Goal{}, err
	}
	perMole, molar := nominal.batch.perMole(), nominal.molar
	left := max(nominal.amount-best.deposit-best.anode, 0) // not the rounding
	g := Goal{
		Overall:  best.deposit * perMole / best.charge,
		Marginal: nominal.batch.Marginal(left, nominal.amperes),
		Critical: nominal.batch.Critical(nominal.amperes) * molar / nominal.batch.Volume,
	}
	if nominal.batch.MassTransfer > 0 && nominal.amperes > 0 {
		g.RatioBegin = nominal.amperes / nominal.batch.LimitingCurrent(nominal.amount)
		g.RatioEnd = nominal.amperes / nominal.batch.LimitingCurrent(left)
	}
	var charge, seconds, theory, deposit, recovered, concentration, beside float64 // variances
	for _, shift := range p.shifts() {
		low, high := nominal, nominal
		shift.apply(&low, -1)
		shift.apply(&high, +1)
		below, errBelow := low.solve()
		above, errAbove := high.solve()
		span := 2.0
		switch { // a shifted target may lie beyond the bath; then the other side speaks for both
		case errBelow != nil && errAbove != nil:
			below, above = best, best
		case errBelow != nil:
			below, span = best, 1
		case errAbove != nil:
			above, span = best, 1
		}
		half := func(low, high float64) float64 { return (high - low) / span }
		g.Budget = append(g.Budget, Share{shift.source, math.Abs(half(below.charge, above.charge)), p.doubtMark(shift.source)})
		theory += square(half(below.deposit, above.deposit))
		wonLow, leftLow := low.wonBy(best.charge)
		wonHigh, leftHigh := high.wonBy(best.charge)
		mol := (wonHigh - wonLow) / 2
		g.DepositFrom = append(g.DepositFrom, Share{shift.source, math.Abs(mol) * molar, p.doubtMark(shift.source)})
		if shift.source == efficiencySource && p.efficiency.fraction.Skewed() {
			continue // its limits widen the answer at the end
		}
		charge += square(half(below.charge, above.charge))
		seconds += square(half(below.seconds, above.seconds))
		deposit += square(mol)
		recovered += square((wonHigh/high.amount - wonLow/low.amount) / 2)
		rest := square((leftHigh/high.batch.Volume - leftLow/low.batch.Volume) / 2)
		concentration += rest
		if shift.source != anodeSource {
			beside += rest
		}
	}
	if meter := math.Hypot(p.order.Meter.GainRelative*best.charge, p.order.Meter.OffsetAmperes*best.seconds) / math.Sqrt(3); meter > 0 {
		g.Budget = append(g.Budget, Share{"meter", meter, matter.Given})
		mol := meter * g.Marginal / perMole
		charge += square(meter)
		g.DepositFrom = append(g.DepositFrom, Share{"meter", mol * molar, matter.Given})
		deposit += square(mol)
	}
	g.Budget, g.DepositFrom = sorted(g.Budget, best.charge), sorted(g.DepositFrom, best.deposit*molar)
	mark := p.answerMark()
	made := func(value, uncertainty float64) matter.Figure {
		return matter.Figure{Value: value, StandardUncertainty: uncertainty, Mark: mark}
	}
	g.Charge = made(best.charge, combined(g.Budget))
	g.Low, g.High = math.Max(best.charge-2*g.Charge.StandardUncertainty, 0), best.charge+2*g.Charge.StandardUncertainty
	g.Theoretical = made(best.deposit*perMole, math.Sqrt(theory)*perMole)
	if best.seconds > 0 {
		g.Duration = made(best.seconds, math.Sqrt(seconds))
		g.Duration.Mark = matter.Weakest(mark, p.conditions.Current.Mark)
	}
	g.Deposit = made(best.deposit*molar, math.Sqrt(deposit)*molar)
	g.Recovered = made(best.deposit/nominal.amount, math.Sqrt(recovered))
	g.Left = made(left*molar/nominal.batch.Volume, math.Sqrt(concentration)*molar)
	p.goalAtAnode(&g, best, math.Sqrt(beside)*molar)
	if p.efficiency.fraction.Skewed() {
		p.skew(&g, answers{charge, seconds, deposit, recovered, concentration})
	}
	return g, nil
}

const anodeSource = "anode loss"

// goalAtAnode fills in what the anode takes: at the ends of its range too, where the planned charge may empty the bath, and where
// the target may take another charge. beside is the standard uncertainty of what is left, in kg/m3, by everything else.
func (p *Plan) goalAtAnode(g *Goal, best outcome, beside float64) {
	molar, u := p.scenario.molar, p.Anode.Uptake()
	others := combined(slices.DeleteFunc(slices.Clone(g.Budget), func(s Share) bool { return s.Source == anodeSource }))
	at := func(uptake float64) (lost, left float64) {
		s := p.scenario
		s.batch.Anode = uptake
		won, rest := s.wonBy(best.charge)
		lost, left = (s.amount-won-rest)*molar, rest*molar/s.batch.Volume
		if o, err := s.solve(); err == nil {
			g.Low, g.High = math.Min(g.Low, math.Max(o.charge-2*others, 0)), math.Max(g.High, o.charge+2*others)
		} else if !p.Anode.Soluble {
			p.Notes = append(p.Notes, fmt.Sprintf("if the anode takes metal with %.3g %% of its charge, the target is out of reach: after the charge of this plan %.3g g are on the cathode, and the bath is left with %.2g g/L",
				100*p.Anode.Share.High, won*molar*1e3, left))
		}
		return lost, left
	}
	var most, least float64
	g.AnodeLow, most = at(u.Low)
	g.AnodeHigh, least = at(u.High)
	g.LeftLow, g.LeftHigh = math.Max(least-2*beside, 0), most+2*beside
	g.Anode = matter.Figure{Value: best.anode * molar, StandardUncertainty: (g.AnodeHigh - g.AnodeLow) / 2 / math.Sqrt(3), Mark: matter.Weakest(g.Left.Mark, p.Anode.Share.Mark)}
	if g.Left.Mark = g.Anode.Mark; u == (Uptake{}) {
		g.AnodeLow, g.AnodeHigh = 0, 0 // not the rounding
	}
}

// answerMark is the weakest mark of what went into the charge. Current and area
// count where the transfer of metal or a thickness brings them in, the voltage in a marginal stop.
func (p *Plan) answerMark() matter.Mark {
	marks := []matter.Mark{p.settled.amount.mark, p.settled.volume.Mark, p.efficiency.fraction.Mark, p.form.value.Mark}
	if p.efficiency.transfer.Known() {
		marks = append(marks, p.efficiency.transfer.Mark, p.conditions.Current.Mark, p.conditions.CathodeArea.Mark)
	}
	if p.MassTransfer.Known() || p.form.name == formConcentration { // else the cathode takes its share whatever the anode does
		marks = append(marks, p.Anode.Share.Mark)
	}
	switch p.form.name {
	case formThickness:
		marks = append(marks, p.conditions.CathodeArea.Mark, p.Metal.Density.Mark)
	case formMarginal:
		marks = append(marks, p.conditions.CellVoltage.Mark)
	}
	return matter.Weakest(marks...)
}

// doubtMark tells whether the doubt of a source was stated or is a default.
func (p *Plan) doubtMark(source string) matter.Mark {
	o := p.order
	var figures []matter.Figure
	switch source {
	case "formula weight":
		return matter.Published
	case "volume":
		figures = append(figures, o.Contents.Volume)
	case "concentration":
		figures = append(figures, o.Contents.Concentration)
	case "metal mass":
		figures = append(figures, o.Contents.MetalMass)
	case "efficiency":
		figures = append(figures, o.Efficiency.Fraction)
	case anodeSource:
		if !p.Anode.Stated {
			return p.Anode.Share.Mark
		}
		figures = append(figures, o.Anode.Loss)
	case "mass transfer":
		figures = append(figures, o.Efficiency.MassTransfer)
		if o.Efficiency.Stirring != "" {
			return p.efficiency.transfer.Mark
		}
	case "cathode area":
		figures = append(figures, o.Conditions.CathodeArea)
	case "current":
		figures = append(figures, o.Conditions.Current)
	case "cell voltage":
		figures = append(figures, o.Conditions.CellVoltage)
	}
	for _, salt := range o.Contents.Salts {
		f, err := matter.ParseFormula(salt.Formula)
		switch {
		case err != nil || f.Count(p.Metal.String()) == 0:
		case source == "salt mass" && salt.Mass.Known():
			figures = append(figures, salt.Mass)
		case source == "salt assay":
			figures = append(figures, salt.Assay)
		case source == "salt concentration" && salt.Concentration.Known():
			figures = append(figures, salt.Concentration)
		}
	}
	var mark matter.Mark
	for _, f := range figures {
		if f.StandardUncertainty == 0 {
			return matter.Assumed
		}
		mark = matter.Weakest(mark, f.Mark)
	}
	return mark
}

func square(x float64) float64 { return x * x }

// sorted puts the largest first and leaves out what adds nothing to the value but rounding.
func sorted(shares []Share, value float64) []Share {
	shares = slices.DeleteFunc(shares, func(s Share) bool { return !(s.Amount > 1e-12*value) })
	slices.SortStableFunc(shares, func(a, b Share) int { return cmp.Compare(b.Amount, a.Amount) })
	return shares
}

// combined adds independent shares as JCGM 100 does: the root of the sum of squares.
func combined(shares []Share) float64 {
	var variance float64
	for _, s := range shares {
		variance += s.Amount * s.Amount
	}
	return math.Sqrt(variance)
}
