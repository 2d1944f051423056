// Package bath turns what is in the beaker into a charge to pass and a time to
// wait, and follows the bath, the deposit and the end of the run under the
// actual current.
//
// Contents is what the operator states. Target says what is wanted, Efficiency
// what the current is expected to do, Conditions under which current and area.
// NewPlan settles them into a Goal, which is a range with its uncertainty budget, and
// a Drawdown, the model that the watch advances with each reading.
//
// All numbers are SI: m3, kg, mol, C, s, A, V, J, K. A standard uncertainty of 0
// in a given figure means that none was stated, and a default is taken. The package is
// deterministic: it has no clock, file or goroutine.
package bath

import (
	"errors"
	"fmt"
	"math"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// Order is everything a plan is made from.
type Order struct {
	Contents   Contents
	Target     Target
	Efficiency Efficiency
	Anode      Anode
	Conditions Conditions
	Meter      Meter
}

// Plan is an order settled: the metal, the goal, and the model that follows the run.
type Plan struct {
	Settled
	Efficiency   matter.Figure // of the first stage
	MassTransfer matter.Figure // m/s; not Known: fixed efficiency
	// Missing are the conditions that would narrow an efficiency which nobody stated, the costliest first.
	Missing []matter.Need

	Amount   matter.Figure // kg of metal in the bath to begin with
	Goal     Goal
	Model    *Drawdown
	Anode    AtAnode
	Crossing Uptake // of metal through the separator; zero without one

	order      Order
	conditions Conditions
	scenario   scenario
}

// NewPlan settles an order. The error joins every Mistake there is in it.
func NewPlan(o Order) (*Plan, error) {
	var m mistakes
	p := &Plan{order: o}
	p.Settled = o.Contents.settle(&m)
	if len(m.list) == 0 {
		o.Contents.dissolves(&m, &p.Settled, o.Conditions.Temperature)
	}
	p.settleEfficiency(&m)
	o.Anode.check(&m, p.Settled)
	o.Target.check(&m)
	p.conditions = p.settleConditions(o.Conditions, &m)
	if !(o.Meter.GainRelative >= 0) || !(o.Meter.OffsetAmperes >= 0) {
		m.add("meter", "", "gain %g and offset %g A cannot be below zero", o.Meter.GainRelative, o.Meter.OffsetAmperes)
	}
	if err := m.err(); err != nil {
		return nil, err
	}
	p.Anode = o.Anode.At(p.Metal, p.Couple, p.Medium, o.Contents.Divided)
	p.Crossing = o.Contents.crosses(p.Couple, p.Medium)
	p.scenario = p.nominal()
	model, err := NewDrawdown(p.scenario.batch, p.scenario.amount)
	if err != nil {
		return nil, err
	}
	p.Model = model
	p.Model.Catholyte().Uptake, p.Model.Catholyte().Crossing = p.Anode.Uptake(), p.Crossing
	p.Model.state.Anolyte.Volume = o.Contents.AnolyteVolume.Value
	molar := p.Metal.Element.Weight.Value
	p.Amount = matter.Figure{Value: p.scenario.amount * molar, Mark: p.amount.mark}
	var variance float64
	for _, d := range p.amount.doubts {
		variance += d.relative * d.relative
	}
	p.Amount.StandardUncertainty = p.Amount.Value * math.Sqrt(variance)
	p.Model.Catholyte().Doubt = p.doubtOf()
	if p.Goal, err = p.goal(); err != nil {
		m.add(p.order.Target.field(), "", "%v", err)
		return nil, m.err()
	}
	p.addNotes()
	return p, nil
}

func (p *Plan) settleConditions(c Conditions, m *mistakes) Conditions {
	m.positive("current", "a current above zero is needed, such as 3 A", c.Current)
	m.positive("cathode-area", "an area above zero is needed, such as 60 cm2, counting both faces if both see an anode", c.CathodeArea)
	m.positive("cell-voltage", "a voltage above zero is needed, such as 3.3 V", c.CellVoltage)
	c.CathodeArea = doubted(c.CathodeArea, AreaDoubt)
	c.CellVoltage = doubted(c.CellVoltage, 0.05)
	need := func(f matter.Figure, field, remedy, why string) {
		if !f.Known() {
			m.add(field, remedy, "it is missing, and %s needs it", why)
		}
	}
	if p.MassTransfer.Known() {
		need(c.Current, "current", "state it, such as 3 A", "a drawdown with mass transfer")
		need(c.CathodeArea, "cathode-area", "state it, such as 60 cm2", "a drawdown with mass transfer")
	}
	switch p.order.Target.Form {
	case Thickness:
		need(c.CathodeArea, "cathode-area", "state it, such as 60 cm2", "a thickness")
	case Marginal:
		need(c.CellVoltage, "cell-voltage", "state it, such as 3.3 V", "the energy of the next gram")
		if !p.MassTransfer.Known() {
			m.add("mass-transfer", "state it or the stirring", "with a fixed efficiency every gram costs the same, so the next one never costs more")
		}
	}
	return c
}

func (p *Plan) nominal() scenario {
	return scenario{
		amount: p.amount.value,
		batch: Batch{
			Valence: p.Valence, Volume: p.Volume.Value, Area: p.conditions.CathodeArea.Value,
			MassTransfer: p.MassTransfer.Value, Efficiency: p.Efficiency.Value, Anode: p.Anode.Uptake().Best, Crossing: p.Crossing.Best,
		},
		anode:   p.Anode,
		molar:   p.Metal.Element.Weight.Value,
		density: p.Metal.Density.Value,
		amperes: p.conditions.Current.Value,
		volts:   p.conditions.CellVoltage.Value,
		target:  p.order.Target,
	}
}

// addNotes says what the numbers do not.
func (p *Plan) addNotes() {
	g := p.Goal
	if poor := p.poorBelow(); poor > g.Left.Value && p.order.Target.Form != Charge {
		p.Notes = append(p.Notes, fmt.Sprintf("A fixed current efficiency is optimistic below about %s g/L: stirred by gas alone, less metal reaches the cathode than the current could deposit. State the stirring to see it fall.", quantity.Digits(poor, poor/3)))
	} else if !p.MassTransfer.Known() && g.Recovered.Value > 0.9 {
		p.Notes = append(p.Notes, "A fixed current efficiency is optimistic when more than 90 % is recovered. State the stirring to see it fall.")
	}
	if fade, ok := p.Metal.Fade(p.Medium); ok && g.Recovered.Value > fade.Beyond+1e-6 {
		p.Notes = append(p.Notes, fmt.Sprintf("The current efficiency of %s falls below %s %% once more than about %.0f %% is recovered: %s. Assay during the run.",
			p.Metal.Element.Name, percent(p.Efficiency.Value), 100*fade.Beyond, fade.Why))
	}
	if p.order.Target.Form == Charge && g.Recovered.Value > 0.9999 {
		p.Notes = append(p.Notes, "The charge exceeds the metal in the bath: the rest only makes gas.")
	}
	if f := p.Efficiency; f.Skewed() && p.Missing == nil {
		p.Notes = append(p.Notes, fmt.Sprintf("No current efficiency is stated: %s to %s %% is assumed, what experts' baths reach. State the measured one.", percent(f.Low), percent(f.High)))
	} else if f.Skewed() {
		p.Notes = append(p.Notes, fmt.Sprintf("No current efficiency is stated: %s to %s %% is assumed, the range of beginners' baths (common practice, no source). State the measured one, or narrow the range: %s, and state so.",
			percent(f.Low), percent(f.High), p.MissingText(p.Missing)))
	} else if p.Goal.Charge.Relative() > 0.1 {
		p.Notes = append(p.Notes, "The target is uncertain by more than 10 %: an assay helps more than a better meter.")
	}
}

// percent writes a share of 1 in percent, to two digits, or three where it is all.
func percent(share float64) string {
	if share > 0.1 {
		return fmt.Sprintf("%.0f", 100*share)
	}
	return fmt.Sprintf("%.2g", 100*share)
}

// poorBelow returns the concentration in kg/m3 below which a fixed efficiency could
// not hold if only gas stirred the bath; 0 if the efficiency is not fixed or current and area are unknown.
func (p *Plan) poorBelow() float64 {
	if p.MassTransfer.Known() || p.scenario.amperes == 0 || p.scenario.batch.Area == 0 {
		return 0
	}
	bubble, err := Bubble.Transfer(p.order.Conditions.kelvin())
	if err != nil {
		return 0
	}
	stirred := p.scenario.batch
	stirred.MassTransfer = bubble.Value
	return stirred.Critical(p.scenario.amperes) * p.scenario.molar / stirred.Volume
}

// Starved tells whether a fixed efficiency could not hold from the beginning if only gas stirred the bath.
func (p *Plan) Starved() bool { return p.poorBelow() > p.Amount.Value/p.Volume.Value }

// Conditions returns the current, area and voltage of the plan, with their doubts.
func (p *Plan) Conditions() Conditions { return p.conditions }

// Standard uncertainties, relative, of figures that the operator gives without
// one. Common practice, no source: a level mark, what has evaporated, a reagent label, a bench balance, a hand titration.
const (
	VolumeDoubt        = 0.015
	EvaporationDoubt   = 0.1 // of a lost volume
	AssayDoubt         = 0.01
	BalanceDoubt       = 0.001
	ConcentrationDoubt = 0.01
	MetalMassDoubt     = 0.01
	EfficiencyDoubt    = 0.04
	MassTransferDoubt  = 0.3
	AreaDoubt          = 0.03
)

// Mistake is one thing that is wrong with what was stated. Field names it in the
// words of this package; whoever read it from a flag or a file knows where that stands.
type Mistake struct {
	Field   string // such as "volume" or "salts[0].formula"
	Problem string // what is wrong
	Remedy  string // what would be right
}

func (m *Mistake) Error() string {
	if m.Remedy == "" {
		return m.Field + ": " + m.Problem
	}
	return m.Field + ": " + m.Problem + "; " + m.Remedy
}

// Mistakes lists the mistakes joined in an error of this package.
func Mistakes(err error) []*Mistake {
	var one *Mistake
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		var all []*Mistake
		for _, e := range joined.Unwrap() {
			all = append(all, Mistakes(e)...)
		}
		return all
	}
	if errors.As(err, &one) {
		return []*Mistake{one}
	}
	return nil
}

// mistakes collects what is wrong, so that all of it is said at once.
type mistakes struct{ list []error }

func (m *mistakes) add(field, remedy, format string, args ...any) {
	m.list = append(m.list, &Mistake{Field: field, Problem: fmt.Sprintf(format, args...), Remedy: remedy})
}

func (m *mistakes) err() error { return errors.Join(m.list...) }

// positive checks a figure that, if it is known, has to be above zero and finite.
func (m *mistakes) positive(field, remedy string, f matter.Figure) bool {
	if f.Known() && (!(f.Value > 0) || math.IsInf(f.Value, 0)) {
		m.add(field, remedy, "it is %g", f.Value)
		return false
	}
	if f.StandardUncertainty < 0 || math.IsNaN(f.StandardUncertainty) || math.IsInf(f.StandardUncertainty, 0) {
		m.add(field, "", "its uncertainty is %g; it must not be negative", f.StandardUncertainty)
		return false
	}
	return f.Known()
}

// share checks a figure that, if it is known, has to lie above 0 and at most at 1.
func (m *mistakes) share(field string, f matter.Figure, above string) bool {
	if !m.positive(field, "a share above 0 % and up to 100 % is needed", f) {
		return false
	}
	if f.Value > 1 {
		m.add(field, "a share above 0 % and up to 100 % is needed", "it is %.4g %%, and %s", f.Value*100, above)
		return false
	}
	return true
}

// doubted gives a figure without a stated uncertainty the default relative one.
func doubted(f matter.Figure, relative float64) matter.Figure {
	if f.Known() && f.StandardUncertainty == 0 {
		f.StandardUncertainty = math.Abs(f.Value) * relative
	}
	return f
}

// Quality is what a load ratio i/i_lim usually means for the deposit.
type Quality struct {
	Word string // for a table
	Text string // for a sentence
}

// QualityAt returns the usual deposit at a ratio of current density to limiting
// current density. The bounds 1/3, 2/3 and 1 are common practice, no source, and
// agree with published work on copper in that open, powdery deposits come near and beyond the limit.
func QualityAt(loadRatio float64) Quality {
	switch {
	case !(loadRatio > 0):
		return Quality{}
	case loadRatio < 1.0/3:
		return Quality{"compact", "compact, adherent metal"}
	case loadRatio < 2.0/3:
		return Quality{"rough", "rougher metal with nodules; wash and handle with care"}
	case loadRatio < 1:
		return Quality{"dendritic", "dendrites and sponge that short the cell and fall off"}
	}
	return Quality{"powder", "powder with vigorous hydrogen"}
}

// product multiplies independent figures.
func product(x, y matter.Figure) matter.Figure {
	value := x.Value * y.Value
	return matter.Figure{Value: value, StandardUncertainty: math.Abs(value) * math.Hypot(x.Relative(), y.Relative()), Mark: matter.Weakest(x.Mark, y.Mark)}
}

// added adds a figure to one that may not be known yet.
func added(x, y matter.Figure) matter.Figure {
	return matter.Figure{Value: x.Value + y.Value, StandardUncertainty: math.Hypot(x.StandardUncertainty, y.StandardUncertainty), Mark: matter.Weakest(x.Mark, y.Mark)}
}
