package bath

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// prior is what is believed of an efficiency that nobody stated: what an expert's bath reaches, where every condition of
// the window is shown; else down to the lowest that one of the missing conditions allows, with every ratio within these
// limits as likely as the next (rectangular on a logarithmic scale), so that the best guess is their geometric middle.
func (o Order) prior(w matter.Window, s contents) (matter.Figure, []matter.Need) {
	expert := w.Efficiency
	low, high := expert.Low, expert.High
	var missing []matter.Need
	for _, need := range w.Needs {
		if !o.shows(need.Condition, w, s) {
			missing = append(missing, need)
			low = math.Min(low, need.Lowest)
		}
	}
	if missing == nil {
		return matter.Figure{Value: expert.Middle(), Mark: matter.Assumed, Source: "middle of what an expert's bath reaches: " + expert.Source,
			StandardUncertainty: math.Max((high-low)/2/math.Sqrt(3), EfficiencyDoubt*expert.Middle())}, nil
	}
	best := math.Sqrt(low * high)
	return matter.Figure{Value: best, StandardUncertainty: best * logarithmicDoubt(low, high), Low: low, High: high, Mark: matter.Assumed,
		Source: fmt.Sprintf("%.3g to %.3g %% in an expert's bath (%s); lower where its conditions are not shown (common practice, no source)", 100*expert.Low, 100*expert.High, expert.Source)}, missing
}

// logarithmicDoubt is the relative standard uncertainty of a figure that is rectangular between two limits on a logarithmic scale.
func logarithmicDoubt(low, high float64) float64 { return math.Log(high/low) / 2 / math.Sqrt(3) }

// shows tells whether an order shows a condition. A current or an area that the plan itself assumed shows nothing.
func (o Order) shows(condition matter.Condition, w matter.Window, s contents) bool {
	c := o.Conditions
	within := func(v float64, r matter.Range) bool { return v >= r.Low*(1-1e-9) && v <= r.High*(1+1e-9) }
	switch condition {
	case matter.Purified:
		return o.Contents.Purified
	case matter.Divided:
		return o.Contents.Divided
	case matter.Buffered:
		buffer := s.ammonium
		for _, acid := range []solution.Component{"B(OH)3", "acetate-", "citrate-3", "tartrate-2"} {
			buffer = buffer || s.dissolved[acid] > 0
		}
		return buffer
	case matter.RightDensity:
		stated := matter.Weakest(c.Current.Mark, c.CathodeArea.Mark) < matter.Assumed && c.Current.Known() && c.CathodeArea.Known()
		return stated && within(c.Current.Value/c.CathodeArea.Value, w.CurrentDensity)
	}
	return c.Temperature.Known() && within(c.Temperature.Value, w.Temperature)
}

// MissingText lists what would narrow the efficiency, the costliest first; empty where nothing is missing.
func (p *Plan) MissingText(missing []matter.Need) string {
	w, _ := p.Metal.Window(p.Medium)
	text := ""
	for i, need := range missing {
		switch {
		case i > 0 && i == len(missing)-1:
			text += " and "
		case i > 0:
			text += ", "
		}
		text += w.Remedy(need.Condition)
	}
	return text
}

// skew gives the figures of the goal limits where the efficiency is known within limits alone: from one solved with the
// efficiency at the limit to the one at the other, and beyond them by twice what all other doubts make of it. others are
// their variances in the order of answers.
func (p *Plan) skew(g *Goal, others answers) {
	limits := p.efficiency.fraction
	best, low, high := p.scenario, p.scenario, p.scenario
	low.batch.Efficiency, high.batch.Efficiency = limits.Low, limits.High
	charge := g.Charge.Value
	middle, least, most := best.answers(charge), low.answers(charge), high.answers(charge)
	for i, f := range []*matter.Figure{&g.Charge, &g.Duration, &g.Deposit, &g.Recovered, &g.Left} {
		perUnit := f.Value / middle[i]
		if !f.Known() || middle[i] == 0 || math.IsNaN(least[i]+most[i]) {
			continue
		}
		below, above := math.Min(least[i], most[i]), math.Max(least[i], most[i])
		f.Low = f.Value - perUnit*math.Hypot(middle[i]-below, 2*math.Sqrt(others[i]))
		f.High = f.Value + perUnit*math.Hypot(above-middle[i], 2*math.Sqrt(others[i]))
		f.Low = math.Max(f.Low, 0)
		if f != &g.Charge { // its own is that of the budget
			f.StandardUncertainty = (f.High - f.Low) / 4
		}
	}
	g.Recovered.High = math.Min(g.Recovered.High, 1)
	g.Low, g.High = g.Charge.Low, g.Charge.High
	g.LeftLow, g.LeftHigh = math.Min(g.LeftLow, g.Left.Low), math.Max(g.LeftHigh, g.Left.High)
}

// answers are charge, time, deposit by a charge, share recovered by it and amount per volume left by it.
type answers [5]float64

// answers solves a scenario and follows a charge in it; what has no answer is NaN.
func (s scenario) answers(charge float64) answers {
	won, left := s.wonBy(charge)
	a := answers{math.NaN(), math.NaN(), won, won / s.amount, left / s.batch.Volume}
	if o, err := s.solve(); err == nil {
		a[0], a[1] = o.charge, o.seconds
	}
	return a
}
