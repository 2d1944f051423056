package bath

import "math"

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
