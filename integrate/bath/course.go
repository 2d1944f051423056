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
		LoadRatio:     s.batch.LoadRatio(left, s.amperes),
	}
	if seconds > 0 {
		point.Overall = won * s.batch.perMole() / point.Coulombs
	}
	return point
}

// Taper asks for a programme of falling current that keeps i/i_lim at or below a ratio.
type Taper struct {
	LoadRatio  float64 // to hold, above 0 and up to 1
	MaxCurrent float64 // A that supply and cathode allow; 0: no bound
}

// Setting is one line of a programme: set this current at this time.
type Setting struct {
	At            float64 // s from the beginning
	Amperes       float64
	Seconds       float64 // how long it holds
	Coulombs      float64 // passed while it holds
	Concentration float64 // mol/m3 when it ends
	LoadRatio     float64 // i/i_lim when it ends, its largest
}

// longestProgramme is more settings than anyone enters by hand in a night.
const longestProgramme = 200

// Programme returns settings that bring the bath from one amount of metal in mol
// down to another. While the ratio is held with efficiency e, the metal falls as
// exp(-ratio·e·k_m·A·t/V): slower than at constant current, denser and with hardly any waste.
func (b Batch) Programme(from, to float64, t Taper) ([]Setting, error) {
	const step = 0.1 // relative fall of the metal per setting
	switch {
	case b.MassTransfer == 0:
		return nil, fmt.Errorf("a taper needs a mass transfer; state it or the stirring")
	case !(t.LoadRatio > 0 && t.LoadRatio <= 1):
		return nil, fmt.Errorf("a load ratio i/i_lim above 0 and up to 1 is needed, not %g", t.LoadRatio)
	case !(to > 0) || !(from > to):
		return nil, fmt.Errorf("a taper goes from more metal to less, and not to nothing: %g mol to %g mol", from, to)
	}
	var settings []Setting
	at, mol := 0.0, from
	for mol > to*(1+1e-12) {
		if len(settings) == longestProgramme {
			return nil, fmt.Errorf("the programme takes more than %d settings; leave more in the bath", longestProgramme)
		}
		next := math.Max(mol*(1-step), to)
		amperes := t.LoadRatio * b.LimitingCurrent(next)
		if t.MaxCurrent > 0 && t.LoadRatio*b.LimitingCurrent(mol)*(1-1e-12) > t.MaxCurrent {
			amperes = t.MaxCurrent // the bath is rich: hold the most until the ratio is reached
			next = math.Max(mol*t.MaxCurrent/(t.LoadRatio*b.LimitingCurrent(mol)), to)
		}
		seconds := b.Time(mol, next, amperes)
		settings = append(settings, Setting{
			At: at, Amperes: amperes, Seconds: seconds, Coulombs: amperes * seconds,
			Concentration: next / b.Volume, LoadRatio: b.LoadRatio(next, amperes),
		})
		at, mol = at+seconds, next
	}
	return settings, nil
}

// Programme returns the settings of a taper for this plan, from the bath as it is
// to the end of the target. It is not for a target charge.
func (p *Plan) Programme(t Taper) ([]Setting, error) {
	if p.order.Target.Form == Charge {
		return nil, fmt.Errorf("a taper needs a target in metal; a plain charge says nothing about the bath")
	}
	book, batch := p.Model.Catholyte(), p.Model.Batch()
	now := p.now(book, p.scenario.current())
	asked, ok := now.asks(book.Stock())
	return batch.Programme(book.Metal(), now.endNow(book, asked, ok), t)
}
