package bath

import (
	"fmt"
	"math"
	"strings"

	"nightcell/configs/quantity"
	"nightcell/integrate/matter"
)

// Doubt is how well a Book knows its metal and its volume. The error of each is one of its own, and what the run's shared errors make of it:
// that of the efficiency, which grows with the metal won, and that of what leaves beside the cathode, which grows with the charge. The shares
// of these are kept as the metal and the charge from which they count, so that they follow the run by themselves.
type Doubt struct {
	Metal, Volume, Both         float64 // variances of the errors of their own, mol2 and m6, and their covariance
	Won, Charge                 float64 // mol and C on which the error of the metal no longer depends
	VolumeByWon, VolumeByCharge float64 // change of the volume's error, m3 per mol of Won and per C of Charge
	Assayed                     bool
}

// doubtOf is what a plan knows of its bath before the run.
func (p *Plan) doubtOf() Doubt {
	mol, volume := p.Amount.StandardUncertainty/p.scenario.molar, p.Volume.StandardUncertainty
	d := Doubt{Metal: mol * mol, Volume: volume * volume}
	for _, doubt := range p.amount.doubts {
		if doubt.source == "volume" {
			d.Both = doubt.relative * p.scenario.amount * volume
		}
	}
	return d
}

// spread is the covariance of metal and volume, and the change of the metal's error with one standard uncertainty of the efficiency and of what leaves.
type spread struct{ metal, volume, both, byEfficiency, byCharge, volumeByEfficiency, volumeByCharge float64 }

func (p *Plan) spread(b *Book) (s spread) {
	d, rel, aside := &b.Doubt, p.Efficiency.Relative(), math.Hypot(b.Uptake.Doubt(), b.Crossing.Doubt())/matter.Faraday
	s.byEfficiency, s.byCharge = -(b.Won()-d.Won)*rel, -(math.Max(p.Model.Charge(), 0)-d.Charge)*aside
	s.volumeByEfficiency, s.volumeByCharge = d.VolumeByWon*rel, d.VolumeByCharge*aside
	s.metal = d.Metal + s.byEfficiency*s.byEfficiency + s.byCharge*s.byCharge
	s.volume = d.Volume + s.volumeByEfficiency*s.volumeByEfficiency + s.volumeByCharge*s.volumeByCharge
	s.both = d.Both + s.byEfficiency*s.volumeByEfficiency + s.byCharge*s.volumeByCharge
	return s
}

// concentration returns what a book has in mol/m3, and its variance.
func (p *Plan) concentrationOf(b *Book) (value, variance float64) {
	s, v := p.spread(b), b.Volume
	value = b.Concentration()
	return value, math.Max((s.metal-2*value*s.both+value*value*s.volume)/(v*v), 0)
}

// weigh lets a book take an assay in mol/m3 with its standard uncertainty. Both are weighed by their variances, as in a Kalman filter whose
// shared errors are considered and not learned (Schmidt); what is found moves metal and volume by their covariance with the concentration. An assay
// without doubt, or one so far off that the doubts cannot be right, is taken for what it is: between two that contradict each other lies nobody's value.
func (p *Plan) weigh(b *Book, found, u float64) {
	booked, variance := p.concentrationOf(b)
	s, v, d := p.spread(b), b.Volume, &b.Doubt
	differs := found - b.balance()/v
	metal, volume := v, 0.0 // gains
	slope := found          // metal less slope times volume is what the assay tells of; by the concentration that follows, it tells so in any order
	if total := variance + u*u; u > 0 && math.Abs(found-booked) <= widest*math.Sqrt(total) {
		slope = booked + (found-booked)*variance/total
		total = math.Max(s.metal-2*slope*s.both+slope*slope*s.volume, 0) + u*u*v*v
		metal, volume = v*(s.metal-slope*s.both)/total, v*(s.both-slope*s.volume)/total
		if moved := volume * differs; moved <= -v/2 {
			volume *= -v / 2 / moved
		}
	}
	target := math.Max(b.balance()+metal*differs, 0)
	b.Volume += volume * differs
	p.assayAnode(b, target-b.balance())
	b.find(target - b.balance())
	// Of each error its gain times that of the difference is taken off, in which is the assay's own.
	p.turn(b, 1-metal/v, metal*slope/v, -volume/v, 1+volume*slope/v)
	d.Metal += metal * metal * u * u
	d.Volume += volume * volume * u * u
	d.Both += metal * volume * u * u
	d.Assayed = true
}

// turn makes the errors of metal and volume what so much of both was.
func (p *Plan) turn(b *Book, metalByMetal, metalByVolume, volumeByMetal, volumeByVolume float64) {
	d, charge := &b.Doubt, math.Max(p.Model.Charge(), 0)
	metal := func(m, v float64) float64 { return metalByMetal*m + metalByVolume*v }
	volume := func(m, v float64) float64 { return volumeByMetal*m + volumeByVolume*v }
	byWon, byCharge := d.Won-b.Won(), d.Charge-charge
	d.Won, d.VolumeByWon = b.Won()+metal(byWon, d.VolumeByWon), volume(byWon, d.VolumeByWon)
	d.Charge, d.VolumeByCharge = charge+metal(byCharge, d.VolumeByCharge), volume(byCharge, d.VolumeByCharge)
	mm, mv, vv := d.Metal, d.Both, d.Volume
	d.Metal = metal(metal(mm, mv), metal(mv, vv))
	d.Both = metal(volume(mm, mv), volume(mv, vv))
	d.Volume = volume(volume(mm, mv), volume(mv, vv))
}

// bookAssay books a measured concentration of the catholyte in kg/m3, weighed against the account by the uncertainty of both. Without an uncertainty
// it is taken as it is.
func (p *Plan) bookAssay(found matter.Figure) error {
	if !(found.Value >= 0) || math.IsInf(found.Value, 0) {
		return fmt.Errorf("assay of %s: it must not be negative", quantity.Short(quantity.MassConcentration, found.Value, 4))
	}
	return p.Model.both(func(b *Book) error {
		p.weigh(b, found.Value/p.scenario.molar, found.StandardUncertainty/p.scenario.molar)
		return nil
	})
}

// Left is the metal in the bath by the account and its assays, kg.
func (p *Plan) Left() matter.Figure {
	b, molar := p.Model.Catholyte(), p.scenario.molar
	return matter.Figure{Value: b.Metal() * molar, StandardUncertainty: math.Sqrt(p.spread(b).metal) * molar, Mark: p.Amount.Mark}
}

// Measured is a number of an entry with its ± as a half-width (JCGM 100, 4.3.7), else with the usual relative doubt.
func Measured(n map[string]float64, name string, usual float64) matter.Figure {
	f := matter.Figure{Value: n[name], StandardUncertainty: math.Abs(n[name]) * usual, Mark: matter.Measured}
	about, unit, _ := strings.Cut(name, "_")
	if half, stated := n[strings.TrimSuffix(about+"_plus_minus_"+unit, "_")]; stated {
		f.StandardUncertainty = half / math.Sqrt(3)
	}
	return f
}

// Assayed is the concentration of the metal that an entry states, kg/m3; see AssayOf.
func (p *Plan) Assayed(e Entry) matter.Figure {
	return AssayOf(e, p.scenario.molar, p.Amount.Value/p.Volume.Value)
}

// AssayOf is the concentration that an entry states, kg/m3, of a metal of so many kg/mol. One that found nothing has the usual doubt of the bath as it was stated, kg/m3.
func AssayOf(e Entry, molar, stated float64) matter.Figure {
	f := Measured(e.Numbers, PerMass, ConcentrationDoubt)
	if _, ok := e.Numbers[PerMole]; ok {
		f = Measured(e.Numbers, PerMole, ConcentrationDoubt).Times(molar)
	}
	if f.StandardUncertainty == 0 {
		f.StandardUncertainty = ConcentrationDoubt * stated
	}
	return f
}

// doubted lets a book doubt what an addition, or water, brought: so much metal more and liquid more than before.
func (p *Plan) doubted(e Entry, before State) error {
	n, relative := e.Numbers, 0.0
	volume := Measured(n, LiquidVolume, VolumeDoubt)
	if volume.Value < 0 {
		volume = Measured(n, LiquidVolume, EvaporationDoubt)
	}
	if mass := Measured(n, Mass, BalanceDoubt); mass.Value > 0 {
		share := AssayDoubt
		if n[AssayRatio] > 0 {
			share = Measured(n, AssayRatio, AssayDoubt).Relative()
		}
		relative = math.Hypot(mass.Relative(), share)
	} else {
		relative = math.Hypot(Measured(n, PerMass, ConcentrationDoubt).Relative()+Measured(n, PerMole, ConcentrationDoubt).Relative(), volume.Relative())
	}
	more := p.Model.Catholyte().Supplied - before.Catholyte.Supplied
	return p.Model.both(func(b *Book) error {
		b.Doubt.Metal += more * more * relative * relative
		b.Doubt.Volume += volume.StandardUncertainty * volume.StandardUncertainty
		return nil
	})
}

// targetDoubt is the standard uncertainty of the target in C: as planned, and after an assay by what it told of the metal. The deposit is known
// no better by one than the efficiency is.
func (p *Plan) targetDoubt(amperes float64) float64 {
	b := *p.Model.Catholyte()
	if !b.Doubt.Assayed || p.Goal.Charge.Skewed() || p.order.Target.Form == Charge {
		return p.Goal.Charge.StandardUncertainty
	}
	s, variance := p.spread(&b), 0.0
	move := func(metal, won, volume, efficiency float64) {
		var ends [2]float64
		for i, sign := range []float64{-1, 1} {
			moved := b
			moved.Unaccounted += sign * (metal + won)
			moved.Deposited += sign * won
			moved.Volume += sign * volume
			t := p.Model.state.Efficiency
			p.Model.state.Efficiency = math.Min(t*(1+sign*efficiency), 1)
			ends[i], _ = p.remainingBy(&moved, amperes)
			p.Model.state.Efficiency = t
		}
		if half := (ends[1] - ends[0]) / 2; !math.IsNaN(half) && !math.IsInf(half, 0) {
			variance += half * half
		}
	}
	own := math.Sqrt(math.Max(b.Doubt.Metal, 0))
	along := 0.0 // of the volume, with the metal
	if own > 0 {
		along = b.Doubt.Both / own
	}
	move(own, 0, along, 0)
	move(0, 0, math.Sqrt(math.Max(b.Doubt.Volume-along*along, 0)), 0)
	move(s.byEfficiency, b.Won()*p.Efficiency.Relative(), s.volumeByEfficiency, p.Efficiency.Relative())
	move(s.byCharge, 0, s.volumeByCharge, 0)
	for _, share := range p.Goal.Budget {
		switch share.Source {
		case "mass transfer", "cathode area", "current", "cell voltage", "meter":
			variance += share.Amount * share.Amount
		}
	}
	return math.Min(math.Sqrt(variance), p.Goal.Charge.StandardUncertainty)
}
