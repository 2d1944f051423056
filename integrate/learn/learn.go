// Package learn says what the next run of a cell will give, from what its runs gave and from what is known of the metal.
//
// Runs of a cell scatter about a middle of its own by more than each was measured. That is the normal model with two levels of
// Gelman, Carlin, Stern, Dunson, Vehtari and Rubin, Bayesian Data Analysis, 3rd edition (2013), section 5.4: a run's figure is normal
// about its true value with a known doubt, the true values are normal about the cell's middle, and the middle has a prior. The spread
// between runs has a half-normal prior, which keeps few runs from claiming that there is none (Gelman, Bayesian Analysis 1 (2006) 515;
// its form and scale for log odds after Friede, Röver, Wandel and Neuenschwander, Research Synthesis Methods 8 (2017) 79, both from memory).
// Middle and spread are integrated over, so that few runs give a wide range. Efficiencies are taken as log odds, which keeps them
// between 0 and 1, all others as logarithms. What two runs' errors share, because the same supply and balance measured both, is not
// told apart: the range is of what these instruments will say.
//
// All numbers are SI. The package is pure arithmetic.
package learn

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/floats"
	"gonum.org/v1/gonum/stat"

	"nightcell/integrate"
	"nightcell/integrate/matter"
)

// Run is what a run gave, and under what. A figure that it did not give is not Known.
type Run struct {
	Name         string
	Efficiency   matter.Figure // of the first stage, by what was weighed or assayed
	MassTransfer matter.Figure // k_m, m/s
	Volts        matter.Figure // mean, by charge
	Resistance   matter.Figure // ohm

	Area, Density, Temperature matter.Figure // m², A/m², K
	Cathode, Medium            string
	Divided                    bool
}

// Next is a figure as the next run is expected to have it.
type Next struct {
	Figure matter.Figure // its middle; Low and High hold 95 % of what is expected. Not Known where no run tells
	Prior  matter.Figure // what was believed before; not Known: nothing
	Runs   int           // that told

	between float64 // mean spread between runs, on the figure's scale
}

// Lesson is what the runs of a cell teach.
type Lesson struct {
	Efficiency, MassTransfer, Volts, Resistance Next
	Density                                     matter.Range // A/m², at which Volts were measured; not Known where a run does not tell
	Changes                                     []Change     // of conditions between runs that told an efficiency
	Runs                                        int          // that were looked at
}

// Prior is what is believed of a cell without its runs.
type Prior struct{ Efficiency, MassTransfer matter.Figure }

// How far runs of one cell spread, as the scale of a half-normal prior on the logarithmic scale of each figure: 95 % below twice that. That
// of efficiencies is the usual one for log odds; the others are common practice, no source.
const (
	oddsSpread       = 0.5
	transferSpread   = 0.3
	voltsSpread      = 0.1
	resistanceSpread = 0.3
)

// From learns from runs, the oldest first.
func From(before Prior, runs []Run) Lesson {
	l := Lesson{
		Runs:         len(runs),
		Efficiency:   odds.next(oddsSpread, before.Efficiency, runs, func(r *Run) matter.Figure { return r.Efficiency }),
		MassTransfer: logarithm.next(transferSpread, before.MassTransfer, runs, func(r *Run) matter.Figure { return r.MassTransfer }),
		Volts:        logarithm.next(voltsSpread, matter.Figure{}, runs, func(r *Run) matter.Figure { return r.Volts }),
		Resistance:   logarithm.next(resistanceSpread, matter.Figure{}, runs, func(r *Run) matter.Figure { return r.Resistance }),
	}
	l.Density = densities(runs)
	if e := l.Efficiency.Figure.Value; l.Efficiency.Figure.Known() {
		l.Changes = changes(runs, l.Efficiency.between*e*(1-e))
	}
	return l
}

// densities are the least and the most of the runs.
func densities(runs []Run) (all matter.Range) {
	for _, r := range runs {
		d := r.Density
		if !d.Known() {
			return matter.Range{}
		}
		if !all.Known() {
			all = matter.Range{Low: d.Value, High: d.Value, Mark: d.Mark}
		}
		all.Low, all.High = math.Min(all.Low, d.Value), math.Max(all.High, d.Value)
	}
	return all
}

// scale is where a figure is taken as normal.
type scale struct {
	to, back func(float64) float64
	top      float64 // of the figure
}

var (
	odds      = scale{func(x float64) float64 { return math.Log(x / (1 - x)) }, func(y float64) float64 { return 1 / (1 + math.Exp(-y)) }, 1}
	logarithm = scale{math.Log, math.Exp, math.Inf(1)}
)

// vague is the deviation of a prior that says nothing: of a factor of e^10.
const vague = 10

// next is what one figure will be.
func (s scale) next(spread float64, prior matter.Figure, runs []Run, figure func(*Run) matter.Figure) (n Next) {
	n.Prior = prior
	middle := normal{0, vague}
	if prior.Known() {
		middle = s.of(prior)
	}
	var told []normal
	mark := matter.Unmarked
	for i := range runs {
		if f := figure(&runs[i]); f.Known() {
			if y := s.of(f); y.deviation > 0 {
				told, mark = append(told, y), matter.Weakest(mark, f.Mark)
			}
		}
	}
	if n.Runs = len(told); n.Runs == 0 {
		return n
	}
	m := integrated(middle, halfNormal(spread), told)
	low, high := s.back(m.quantile(0.025)), s.back(m.quantile(0.975))
	n.Figure = matter.Figure{Value: s.back(m.quantile(0.5)), StandardUncertainty: (high - low) / 2 / integrate.CoverageFactor, Low: low, High: high, Mark: mark, Source: "earlier runs of the cell"}
	n.between = floats.Dot(m.weights, m.spreads)
	return n
}

// normal is a distribution on a scale.
type normal struct{ mean, deviation float64 }

const (
	parts = 64 // of a measured figure
	reach = 5  // standard uncertainties to either side
)

// of moves a measured figure, cut to what it can be, onto the scale by its first two moments: near its ends the scale is too curved for
// a slope. Where the doubt of a figure is told by limits, these hold 95 % of it. The zero normal: the figure cannot be.
func (s scale) of(f matter.Figure) normal {
	if f.Skewed() && f.Low > 0 && f.High < s.top {
		low, high := s.to(f.Low), s.to(f.High)
		return normal{(low + high) / 2, (high - low) / 2 / integrate.CoverageFactor}
	}
	u := math.Max(f.StandardUncertainty, 1e-6*math.Abs(f.Value))
	low, high := math.Max(f.Value-reach*u, 0), math.Min(f.Value+reach*u, s.top)
	if !(high > low) {
		return normal{}
	}
	var weights, ys [parts]float64
	for i := range parts {
		x := low + (float64(i)+0.5)*(high-low)/parts
		weights[i], ys[i] = math.Exp(-(x-f.Value)*(x-f.Value)/(2*u*u)), s.to(x)
	}
	mean, deviation := stat.PopMeanStdDev(ys[:], weights[:])
	return normal{mean, deviation}
}

// mixture is normal distributions by weight, one at each spread between runs.
type mixture struct {
	weights, spreads []float64 // weights add up to 1
	nexts            []normal  // of the next run
}

// points is at how many spreads the integral is taken, each as likely as the others before the runs are known.
const points = 200

func halfNormal(scale float64) func(chance float64) float64 {
	return func(chance float64) float64 { return scale * math.Sqrt2 * math.Erfinv(chance) }
}

// integrated takes the two integrals. spread gives the quantiles of the prior of the spread between runs.
func integrated(prior normal, spread func(chance float64) float64, told []normal) mixture {
	var m mixture
	var logs []float64
	for i := range points {
		tau := spread((float64(i) + 0.5) / points)
		// Under one spread the middle is normal (section 5.4, equation 5.20, here with a prior), and so are all runs together.
		precision := 1 / (prior.deviation * prior.deviation)
		sum := prior.mean * precision
		var likelihood float64
		for _, y := range told {
			w := 1 / (y.deviation*y.deviation + tau*tau)
			precision, sum = precision+w, sum+w*y.mean
			likelihood += math.Log(w) / 2
		}
		mean := sum / precision
		z := (mean - prior.mean) / prior.deviation
		likelihood -= (math.Log(precision) + z*z) / 2
		for _, y := range told {
			likelihood -= (y.mean - mean) * (y.mean - mean) / (y.deviation*y.deviation + tau*tau) / 2
		}
		logs = append(logs, likelihood)
		m.spreads = append(m.spreads, tau)
		m.nexts = append(m.nexts, normal{mean, math.Sqrt(1/precision + tau*tau)})
	}
	total := floats.LogSumExp(logs)
	for _, l := range logs {
		m.weights = append(m.weights, math.Exp(l-total))
	}
	return m
}

// quantile of the next run.
func (m *mixture) quantile(chance float64) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, n := range m.nexts {
		low, high = math.Min(low, n.mean-8*n.deviation), math.Max(high, n.mean+8*n.deviation)
	}
	for range 40 {
		middle := (low + high) / 2
		var below float64
		for i, n := range m.nexts {
			below += m.weights[i] * math.Erfc((n.mean-middle)/n.deviation/math.Sqrt2) / 2
		}
		if below < chance {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

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
			if i != j && math.Abs(stat.Correlation(all[i].at, all[j].at, nil)) > 0.9 {
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
