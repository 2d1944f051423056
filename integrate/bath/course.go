package bath

import (
	"fmt"
	"math"
)

// Point is one moment of a planned run at constant current.
type Point struct {
	Seconds       float64
	Coulombs      float64
	Deposit       float64 // kg
	Concentration float64 // kg/m3
	Overall       float64 // efficiency of the charge so far
	Marginal      float64 // efficiency of the moment
	LoadRatio     float64 // i/i_lim; 0 without a transfer limit
}

// Course returns the planned run at count equally spaced times from the
// beginning to the target, at least 2. It is nil when no current is stated.
func (p *Plan) Course(count int) []Point {
	if p.scenario.amperes == 0 || count < 2 {
		return nil
	}
	points := make([]Point, count)
	for i := range points {
		points[i] = p.scenario.at(p.Goal.Duration.Value * float64(i) / float64(count-1))
	}
	return points
}

// At returns the planned run when share of the metal is recovered, in front of
// the target or beyond it. ok is false if the plan has no current or never gets there.
func (p *Plan) At(share float64) (point Point, ok bool) {
	s := p.scenario
	if s.amperes == 0 || !(share >= 0 && share <= 1) {
		return Point{}, false
	}
	seconds := s.batch.Time(s.amount, s.amount*(1-share), s.amperes)
	if s.batch.aside() != 0 {
		seconds = s.batch.TimeToWin(s.amount, s.amount*share, s.amperes)
	}
	if math.IsInf(seconds, 0) {
		return Point{}, false
	}
	return s.at(seconds), true
}

func (s scenario) at(seconds float64) Point {
	won, lost := s.batch.Take(s.amount, s.amperes, seconds)
	left := max(s.amount-won-lost, 0)
	point := Point{
		Seconds:       seconds,
		Coulombs:      seconds * s.amperes,
		Deposit:       won * s.molar,
		Concentration: left * s.molar / s.batch.Volume,
		Overall:       s.batch.Marginal(s.amount, s.amperes),
		Marginal:      s.batch.Marginal(left, s.amperes),
	}
	if seconds > 0 {
		point.Overall = won * s.batch.perMole() / point.Coulombs
	}
	if s.batch.MassTransfer > 0 {
		point.LoadRatio = s.amperes / s.batch.LimitingCurrent(left)
	}
	return point
}

// Variation is what the answer becomes if one assumption is off.
type Variation struct {
	What     string  // such as "efficiency 83 % instead of 88 %"
	Source   string  // the assumption: "efficiency", "bath", "volume", "anode loss", "mass transfer", "current"
	Charge   float64 // C that the target would take then; NaN if it would be out of reach
	Seconds  float64 // s, 0 without a stated current
	Deposit  float64 // kg that the planned charge would win then
	Recovers float64 // share of the metal that the planned charge would win then
	Problem  string  // why the target would be out of reach, or empty
}

// Sensitivity returns the plan with one assumption after another off by a
// plausible step, the metal in the bath first.
func (p *Plan) Sensitivity() []Variation {
	s := p.scenario
	var all []Variation
	add := func(source, what string, change func(*scenario)) {
		changed := s
		change(&changed)
		v := Variation{What: what, Source: source, Charge: math.NaN(), Seconds: math.NaN()}
		if o, err := changed.solve(); err != nil {
			v.Problem = err.Error()
		} else {
			v.Charge, v.Seconds = o.charge, o.seconds
		}
		won, _ := changed.wonBy(p.Goal.Charge.Value)
		v.Deposit, v.Recovers = won*s.molar, won/changed.amount
		all = append(all, v)
	}
	add("bath", "metal in the bath 5 % less", func(c *scenario) { c.amount *= 0.95 })
	add("bath", "metal in the bath 5 % more", func(c *scenario) { c.amount *= 1.05 })
	if s.form.name == formConcentration || s.batch.MassTransfer > 0 {
		add("volume", "volume 3 % less, same metal", func(c *scenario) { c.batch.Volume *= 0.97 })
		add("volume", "volume 3 % more, same metal", func(c *scenario) { c.batch.Volume *= 1.03 })
	}
	f, higher := p.Efficiency, s.batch.Efficiency+0.05
	switch lower := s.batch.Efficiency - 0.05; {
	case f.Skewed():
		add("efficiency", fmt.Sprintf("efficiency %.3g %%, the lowest expected", 100*f.Low), func(c *scenario) { c.batch.Efficiency = f.Low })
		add("efficiency", fmt.Sprintf("efficiency %.3g %%, the highest expected", 100*f.High), func(c *scenario) { c.batch.Efficiency = f.High })
	case lower > 0.01:
		add("efficiency", "efficiency 5 points less", func(c *scenario) { c.batch.Efficiency = lower })
	default:
		add("efficiency", "efficiency halved", func(c *scenario) { c.batch.Efficiency /= 2 })
	}
	if higher <= 1 && !f.Skewed() {
		add("efficiency", "efficiency 5 points more", func(c *scenario) { c.batch.Efficiency = higher })
	}
	if u := p.Anode.Uptake(); u.High > u.Low && !p.Anode.Soluble {
		add("anode loss", fmt.Sprintf("anode takes metal with %.3g %% of its charge", 100*p.Anode.Share.Low), func(c *scenario) { c.batch.Anode = u.Low })
		add("anode loss", fmt.Sprintf("anode takes metal with %.3g %% of its charge", 100*p.Anode.Share.High), func(c *scenario) { c.batch.Anode = u.High })
	}
	if u := p.Crossing; u.High > 0 && (s.form.name == formConcentration || s.batch.MassTransfer > 0) {
		add("separator", fmt.Sprintf("metal carries %.3g %% of the current through the separator", 100*p.order.Contents.Crossing.High), func(c *scenario) { c.batch.Crossing = u.High })
	}
	if s.batch.MassTransfer > 0 {
		add("mass transfer", "mass transfer halved", func(c *scenario) { c.batch.MassTransfer /= 2 })
		add("mass transfer", "mass transfer doubled", func(c *scenario) { c.batch.MassTransfer *= 2 })
	}
	if s.amperes > 0 && s.form.name != formMarginal {
		add("current", "current 10 % less", func(c *scenario) { c.amperes *= 0.9 })
		add("current", "current 10 % more", func(c *scenario) { c.amperes *= 1.1 })
	}
	return all
}
