package alerts

import (
	"math"

	"nightcell/alerts/trend"
)

// creepOver is how far back the creep of a current is looked at, s, and fewestCreepBlocks how many minutes it takes. Common practice, no source.
const (
	creepOver         = 3600
	fewestCreepBlocks = 10
)

// Creep is how the current of a run at constant voltage has moved of late.
type Creep struct {
	Slope, Uncertainty float64 // A/s; standard uncertainty of independent minutes
	Over               float64 // s that it was seen over
}

// Creep returns it; false while the supply holds the current, or before it can be told.
func (b *Board) Creep() (c Creep, ok bool) {
	if b.m.Regulation != ConstantVoltage {
		return c, false
	}
	l := b.m.History.Fit(trend.Amperes, creepOver, 0)
	c = Creep{Slope: l.Slope(), Uncertainty: l.SlopeUncertainty(), Over: -2 * l.MeanX}
	return c, l.N >= fewestCreepBlocks && finite(c.Slope) && finite(c.Uncertainty)
}

// Seconds is when a charge in C will have passed, from a current in A on that creeps as it did, for as long as it has been seen to, and then
// stays; +Inf if it dies away before.
func (c Creep) Seconds(charge, amperes float64) float64 {
	later := amperes + c.Slope*c.Over
	switch ramp := (amperes + later) / 2 * c.Over; {
	case !(charge > 0):
		return 0
	case c.Slope == 0:
		return charge / amperes
	case later > 0 && charge > ramp:
		return c.Over + (charge-ramp)/later
	default:
		if rest := amperes*amperes + 2*c.Slope*charge; rest >= 0 {
			return 2 * charge / (amperes + math.Sqrt(rest)) // the lesser root, without loss of digits
		}
		return math.Inf(1)
	}
}

// Bounds are Seconds with the slope two standard uncertainties off either way.
func (c Creep) Bounds(charge, amperes float64) (low, high float64) {
	fast, slow := c, c
	fast.Slope += 2 * c.Uncertainty
	slow.Slope -= 2 * c.Uncertainty
	return fast.Seconds(charge, amperes), slow.Seconds(charge, amperes)
}
