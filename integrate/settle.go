package integrate

import (
	"cmp"
	"fmt"
	"slices"
)

// settleable is how many gaps are kept one by one. A run with more folds the
// narrowest range into a sum, so that the state stays small; the gaps
// that matter to the books are the wide ones.
const settleable = 64

// Gaps returns the gaps that can still be settled, oldest first.
func (c *Coulometer) Gaps() []Gap { return slices.Clone(c.state.Gaps) }

// Settle replaces the range of a gap by what an operator knows, in coulombs.
// low = best = high says that the charge is known. It can be called again for the same gap.
func (c *Coulometer) Settle(index int, low, best, high float64) error {
	if !physicalCharge(low) || !physicalCharge(best) || !physicalCharge(high) || low > best || best > high {
		return fmt.Errorf("integrate: gap %d cannot be settled as %v C to %v C, best %v C; three finite charges in the order low, best, high are needed",
			index, low, high, best)
	}
	at, found := slices.BinarySearchFunc(c.state.Gaps, index, func(g Gap, i int) int { return cmp.Compare(g.Index, i) })
	if !found {
		if index >= 0 && index < c.state.GapCount {
			return fmt.Errorf("integrate: gap %d can no longer be settled: the run has %d gaps, and only the %d widest are kept apart",
				index, c.state.GapCount, settleable)
		}
		return fmt.Errorf("integrate: there is no gap %d; the run has %d, counted from 0", index, c.state.GapCount)
	}
	g := &c.state.Gaps[at]
	g.Low, g.Best, g.High = low, best, high
	g.LowJoules, g.BestJoules, g.HighJoules = low*g.Volts, best*g.Volts, high*g.Volts
	g.Settled = true
	c.sumGaps()
	return nil
}

// physicalCharge bounds charges loosely: maxMagnitude amperes for thirty years.
func physicalCharge(q float64) bool { return q >= -1e18 && q <= 1e18 }

func (c *Coulometer) keepGap(g Gap) {
	st := &c.state
	st.GapCount++
	if len(st.Gaps) == settleable {
		narrowest := 0
		for i, other := range st.Gaps {
			if other.High-other.Low < st.Gaps[narrowest].High-st.Gaps[narrowest].Low {
				narrowest = i
			}
		}
		st.Folded.add(st.Gaps[narrowest])
		st.Gaps = slices.Delete(st.Gaps, narrowest, narrowest+1)
	}
	if st.Gaps == nil {
		st.Gaps = make([]Gap, 0, settleable)
	}
	st.Gaps = append(st.Gaps, g)
	c.sumGaps()
}

// sumGaps sums anew, in a fixed order, so that the result does not depend on how the state was reached.
func (c *Coulometer) sumGaps() {
	c.gaps = c.state.Folded
	for _, g := range c.state.Gaps {
		c.gaps.add(g)
	}
}
