package learn

import (
	"math"
	"slices"

	"nightcell/integrate"
	"nightcell/integrate/matter"
)

// Condition names what may change between runs.
type Condition string

// The conditions.
const (
	Area        Condition = "cathode area"
	Density     Condition = "current density"
	Temperature Condition = "temperature"
	Cathode     Condition = "cathode"
	Medium      Condition = "medium"
	Separator   Condition = "separator"
)

// Change is a condition that was not the same in all runs that told an efficiency.
type Change struct {
	Condition Condition
	From, To  float64 // the least and the most, SI, of what is a number
	Words     []string
	// Difference is by how much the efficiency at To, or with the second word, lay above that at From or with the first, by a straight
	// line through the runs. Not Known with more than two words. It tells of no cause.
	Difference matter.Figure
	With       []Condition // that changed with it so closely that the runs cannot tell them apart
	at         []float64   // 0 to 1, of each run
}

// Told says whether the difference stands out of the scatter of the runs.
func (c *Change) Told() bool {
	return math.Abs(c.Difference.Value) > integrate.CoverageFactor*c.Difference.StandardUncertainty
}

var conditions = []struct {
	of     Condition
	number func(*Run) matter.Figure
	word   func(*Run) string
	same   func(low, high float64) bool
}{
	{of: Area, number: func(r *Run) matter.Figure { return r.Area }, same: alike},
	{of: Density, number: func(r *Run) matter.Figure { return r.Density }, same: alike},
	{of: Temperature, number: func(r *Run) matter.Figure { return r.Temperature }, same: func(low, high float64) bool { return high-low < 1 }},
	{of: Cathode, word: func(r *Run) string { return r.Cathode }},
	{of: Medium, word: func(r *Run) string { return r.Medium }},
	{of: Separator, word: func(r *Run) string { return map[bool]string{true: "divided", false: "undivided"}[r.Divided] }},
}

// alike is true of areas and densities within 2 % of each other, which nobody changed on purpose.
func alike(low, high float64) bool { return high < 1.02*low }

// changes lists what changed; between is how far efficiencies of runs of the cell spread. A condition that a run does not tell is passed over.
func changes(runs []Run, between float64) []Change {
	told := slices.DeleteFunc(slices.Clone(runs), func(r Run) bool { return !r.Efficiency.Known() })
	var all []Change
	for _, c := range conditions {
		ch := Change{Condition: c.of}
		for i := range told {
			if c.word != nil {
				w := c.word(&told[i])
				k := slices.Index(ch.Words, w)
				if k < 0 {
					k, ch.Words = len(ch.Words), append(ch.Words, w)
				}
				ch.at = append(ch.at, float64(k))
			} else if f := c.number(&told[i]); f.Known() {
				ch.at = append(ch.at, f.Value)
			}
		}
		if len(ch.at) < max(len(told), 2) || slices.Contains(ch.Words, "") {
			continue
		}
		low, high := slices.Min(ch.at), slices.Max(ch.at)
		if c.word == nil && c.same(low, high) || low == high {
			continue
		}
		for i := range ch.at {
			ch.at[i] = (ch.at[i] - low) / (high - low)
		}
		if c.word == nil {
			ch.From, ch.To = low, high
		}
		if len(ch.Words) <= 2 {
			ch.Difference = slope(ch.at, told, between)
		}
		all = append(all, ch)
	}
	for i := range all {
		for j := range all {
			if i != j && math.Abs(correlation(all[i].at, all[j].at)) > 0.9 {
				all[i].With = append(all[i].With, all[j].Condition)
			}
		}
	}
	return all
}

// slope is that of the efficiencies over x by weighted least squares, each with its own doubt and the spread between runs.
func slope(x []float64, runs []Run, between float64) matter.Figure {
	var w, wx, wxx, wy, wxy float64
	mark := matter.Unmarked
	for i, r := range runs {
		e := r.Efficiency
		weight := 1 / (e.StandardUncertainty*e.StandardUncertainty + between*between)
		w, wx, wxx, wy, wxy = w+weight, wx+weight*x[i], wxx+weight*x[i]*x[i], wy+weight*e.Value, wxy+weight*x[i]*e.Value
		mark = matter.Weakest(mark, e.Mark)
	}
	d := w*wxx - wx*wx
	return matter.Figure{Value: (w*wxy - wx*wy) / d, StandardUncertainty: math.Sqrt(w / d), Mark: mark, Source: "straight line through the runs"}
}

// correlation of two lists that both vary.
func correlation(x, y []float64) float64 {
	n := float64(len(x))
	var sx, sy, sxx, syy, sxy float64
	for i := range x {
		sx, sy, sxx, syy, sxy = sx+x[i], sy+y[i], sxx+x[i]*x[i], syy+y[i]*y[i], sxy+x[i]*y[i]
	}
	return (n*sxy - sx*sy) / math.Sqrt((n*sxx-sx*sx)*(n*syy-sy*sy))
}
