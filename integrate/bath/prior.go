package bath

import (
	"fmt"
	"math"
	"strings"

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
	var remedies []string
	for _, need := range missing {
		remedies = append(remedies, w.Remedy(need.Condition))
	}
	return strings.Join(remedies, ", and ")
}
