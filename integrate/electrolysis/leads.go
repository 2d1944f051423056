package electrolysis

import (
	"fmt"
	"math"
)

// copperResistivity is that of annealed copper near 40 °C in Ω·m (1.72e-8 at 20 °C, +0.39 %/K; IEC 60028, from memory).
const copperResistivity = 1.86e-8

// Limits of what clips carry in amperes. Common practice, no source.
const (
	clipComfortable = 5.0
	clipAtBest      = 10.0
)

// Lead is a flexible copper lead and what it does at a current.
type Lead struct {
	CrossSection float64 // m²
	Carries      float64 // A, the most that common practice allows in free air
	Drop         float64 // V, there and back
	Heat         float64 // W, in both conductors together
}

// leadSizes returns cross-sections in mm² and the amperes that they carry, smallest
// first. Common practice, no source; cautious for single flexible leads in free air.
func leadSizes() [][2]float64 {
	return [][2]float64{{0.75, 6}, {1, 10}, {1.5, 16}, {2.5, 20}, {4, 25}, {6, 35}, {10, 50}, {16, 70}, {25, 100}, {35, 125}, {50, 160}}
}

// LeadFor returns the smallest usual lead that carries current amperes over length
// metres one way and drops no more than drop volts there and back (0: any drop).
func LeadFor(current, length, drop float64) (Lead, error) {
	if !positive(current, length) || !notNegative(drop) {
		return Lead{}, fmt.Errorf("lead for %g A over %g m with %g V to lose: current and length must be above zero, the drop not below", current, length, drop)
	}
	for _, size := range leadSizes() {
		section := size[0] * 1e-6
		lost := current * 2 * length * copperResistivity / section
		if size[1] >= current && (drop == 0 || lost <= drop) {
			return Lead{CrossSection: section, Carries: size[1], Drop: lost, Heat: lost * current}, nil
		}
	}
	return Lead{}, fmt.Errorf("no lead up to 50 mm² carries %.3g A over %.3g m within the drop: use several in parallel, shorter leads or a busbar", current, length)
}

// Clip says how to fasten a lead to an electrode.
type Clip struct {
	Clips  int    // crocodile clips that would share the current at 5 A each; 0: bolt instead
	Advice string // a sentence for the person who fastens it
}

// ClipFor returns how to fasten an electrode that takes current amperes. Common practice, no source.
func ClipFor(current float64) Clip {
	switch {
	case math.IsNaN(current) || current > 2*clipAtBest:
		return Clip{0, "Bolt a lug to the electrode, greased: clips do not carry this."}
	case current > clipAtBest:
		return Clip{int(math.Ceil(current / clipComfortable)), "Bolt a lug if you can; else that many clips, each on bare bright metal, well apart."}
	case current > clipComfortable:
		return Clip{2, "Two clips on bare bright metal, outside the mist; feel them after ten minutes: cool to the touch or not good enough."}
	default:
		return Clip{1, "One clip on bare bright metal, outside the mist; feel it after ten minutes: cool to the touch or not good enough."}
	}
}
