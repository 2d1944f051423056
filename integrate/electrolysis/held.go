package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// Held is what becomes of a run whose supply holds the voltage: the current creeps up as the bath warms, so that the charge passes sooner.
// Acid that crosses a separator raises it too, and metal that goes lowers it; neither is reckoned, and the first current is the low end.
type Held struct {
	Settled  matter.Figure // A, once the bath is warm; not Known: it runs away
	Duration matter.Figure // s for the charge
	Limit    matter.Figure // A: the current limit to set on the supply
}

const (
	warmingDoubt   = 0.3 // of the rise, as that of the steady temperature
	aboveTheCreep  = 1.1 // the limit over the highest current that the warm bath takes
	withoutAnyEnd  = 1.2 // the limit over the first current, where the creep finds none
	mostBisections = 60
)

// held fills in Held, for a supply that holds the voltage.
func (a *Assessment) held() {
	c, h := a.Conditions, &a.Heat
	const source = "conductivity +2 % per kelvin (common practice, no source), as the bath warms from its first temperature"
	first := c.Current.Value
	figure := func(best, low, high float64) matter.Figure {
		return between(matter.Figure{Value: best, StandardUncertainty: best * c.Current.Relative(), Mark: matter.Assumed, Source: source}, low, high)
	}
	if h.RunsAway {
		h.Held.Limit = matter.Figure{Value: withoutAnyEnd * first, Mark: matter.Assumed, Source: "a fifth above the first current"}
		return
	}
	start := c.Ambient.Value
	if c.Temperature.Mark != matter.Assumed {
		start = math.Max(start, c.Temperature.Value)
	}
	rise := math.Max(0, h.Steady.Value-start)
	if h.Heater.Known() {
		rise = 0 // a thermostat holds it
	}
	gain, _ := constantVoltageGain(rise)
	high, runs := constantVoltageGain(rise * (1 + warmingDoubt))
	if runs {
		high = gain / warmingDoubt
	}
	h.Held.Settled = figure(first*gain, first, first*high)
	h.Held.Limit = matter.Figure{Value: aboveTheCreep * h.Held.Settled.High, Mark: matter.Assumed, Source: "a tenth above the highest current of the warm bath"}
	if h.Held.Settled.High == 0 { // no creep
		h.Held.Limit.Value = aboveTheCreep * first
	}
	at := func(gain float64) float64 { return creepTime(c.Charge.Value, first, gain, h.TimeConstant.Value) }
	h.Held.Duration = skewed(figure(at(gain), at(high), at(1)), c.Charge, 1)
}

// creepTime is the time in s in which a charge passes when the current rises from first to gain·first with a time constant.
func creepTime(charge, first, gain, constant float64) float64 {
	passed := func(t float64) float64 {
		return first * (gain*t + (gain-1)*constant*math.Expm1(-t/constant))
	}
	low, high := charge/first/gain, charge/first
	for range mostBisections {
		if middle := (low + high) / 2; passed(middle) < charge {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}
