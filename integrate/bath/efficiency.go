package bath

import (
	"fmt"
	"math"
	"strings"

	"nightcell/integrate/matter"
	"nightcell/integrate/solution"
)

// Stirring is how the bath is moved, for a first guess at the mass transfer.
type Stirring string

// The kinds of stirring.
const (
	Still  Stirring = "still"
	Bubble Stirring = "bubble" // stirred by gas from the cell or by air
	Forced Stirring = "forced" // pumped past the cathode, or a rotating one
)

// Transfer returns the mass-transfer coefficient k_m in m/s that the stirring usually gives at a temperature in
// kelvin (0: 25 °C), with a wide uncertainty: the limits are taken as rectangular on a logarithmic scale.
func (s Stirring) Transfer(kelvin float64) (matter.Figure, error) {
	usual, known := map[Stirring]struct {
		low, high float64
		source    string
	}{
		Still:  {2e-6, 5e-6, "common practice, no source: still bath at room temperature"},
		Bubble: {0.6e-5, 1.8e-5, "range from memory, about 32 A/m² per g/L of copper under air, as an introduction to nickel electrowinning on the web quotes Harvey, Miguel, Larson and Servi"},
		Forced: {2e-5, 10e-5, "common practice, no source: forced flow at room temperature"},
	}[s]
	if !known {
		return matter.Figure{}, fmt.Errorf("%q is unknown; it is one of still, bubble, forced", string(s))
	}
	middle := math.Sqrt(usual.low * usual.high)
	f := matter.Figure{Value: middle, StandardUncertainty: middle * logarithmicDoubt(usual.low, usual.high), Mark: matter.Assumed, Source: usual.source}
	if s == Bubble { // 32 A/m² per g/L of copper are a k_m of 1.05e-5 m/s, if that is where copper ceases to be sound
		f.Value = 1.05e-5
	}
	if kelvin > 0 {
		f = f.Times(solution.Transfer(kelvin))
	}
	return f, nil
}

// Efficiency is what the current is expected to do. With neither MassTransfer nor
// Stirring the efficiency is fixed; with one of them it holds until the bath can no longer
// bring enough metal, and falls from there (two-stage drawdown).
type Efficiency struct {
	Fraction     matter.Figure // share of the charge that wins metal, above 0 and up to 1; unknown: the usual one in the medium
	MassTransfer matter.Figure // k_m in m/s
	Stirring     Stirring
}

func (p *Plan) settleEfficiency(m *mistakes) {
	o, e := p.order, p.order.Efficiency
	switch {
	case e.Fraction.Known():
		m.share("efficiency", e.Fraction, "no current deposits more than its charge allows")
		p.Efficiency = doubted(e.Fraction, EfficiencyDoubt)
	case p.Metal.Element.Symbol != "":
		window, ok := p.Metal.Window(p.Medium)
		if !ok || !window.Efficiency.Known() {
			m.add("efficiency", "state it, such as 88 %", "it is missing, and none is usual for %s in this medium", p.Metal.Element.Name)
			break
		}
		p.Efficiency, p.Missing = o.prior(window, p.Settled)
	}
	if e.Stirring != "" {
		transfer, err := e.Stirring.Transfer(o.Conditions.kelvin())
		switch {
		case err != nil:
			m.add("stirring", "", "%v", err)
		case e.MassTransfer.Known():
			m.add("stirring", "state one of them", "both stirring and mass transfer are stated")
		}
		p.MassTransfer = transfer
	}
	if m.positive("mass-transfer", "a coefficient above zero is needed, such as 1e-5 m/s", e.MassTransfer) {
		p.MassTransfer = doubted(e.MassTransfer, MassTransferDoubt)
	}
}

// prior is what is believed of an efficiency that nobody stated: what an expert's bath reaches, where every condition of
// the window is shown; else down to the lowest that one of the missing conditions allows, with every ratio within these
// limits as likely as the next (rectangular on a logarithmic scale), so that the best guess is their geometric middle.
func (o Order) prior(w matter.Window, s Settled) (matter.Figure, []matter.Need) {
	expert := w.Efficiency
	low, high := expert.Low, expert.High
	var missing []matter.Need
	for _, need := range w.Needs {
		if !o.shows(need.Condition, w, s) {
			missing = append(missing, need)
			low = math.Min(low, need.Lowest)
		}
	}
	const narrow = 2 // a range whose ends differ by less has a middle
	if missing == nil && high < narrow*low {
		return matter.Figure{Value: expert.Middle(), Mark: matter.Assumed, Source: "middle of what an expert's bath reaches: " + expert.Source,
			StandardUncertainty: math.Max((high-low)/2/math.Sqrt(3), EfficiencyDoubt*expert.Middle())}, nil
	}
	best := math.Sqrt(low * high)
	f := matter.Figure{Value: best, StandardUncertainty: best * logarithmicDoubt(low, high), Low: low, High: high, Mark: matter.Assumed,
		Source: "what an expert's bath reaches: " + expert.Source}
	if missing != nil {
		f.Source = fmt.Sprintf("%.3g to %.3g %% in an expert's bath (%s); lower where its conditions are not shown (common practice, no source)", 100*expert.Low, 100*expert.High, expert.Source)
	}
	return f, missing
}

// Usual is the efficiency by the table of metals alone, as if nobody had stated one; not Known where the table has none.
func (p *Plan) Usual() matter.Figure {
	w, ok := p.Metal.Window(p.Medium)
	if !ok || !w.Efficiency.Known() {
		return matter.Figure{}
	}
	f, _ := p.order.prior(w, p.Settled)
	return f
}

// logarithmicDoubt is the relative standard uncertainty of a figure that is rectangular between two limits on a logarithmic scale.
func logarithmicDoubt(low, high float64) float64 { return math.Log(high/low) / 2 / math.Sqrt(3) }

// shows tells whether an order shows a condition. A current or an area that the plan itself assumed shows nothing.
func (o Order) shows(condition matter.Condition, w matter.Window, s Settled) bool {
	c := o.Conditions
	within := func(v float64, r matter.Range) bool { return v >= r.Low*(1-1e-9) && v <= r.High*(1+1e-9) }
	switch condition {
	case matter.Purified:
		return o.Contents.Purified
	case matter.Divided:
		return o.Contents.Divided
	case matter.Buffered:
		buffer := s.Ammonium
		for _, acid := range []solution.Component{"B(OH)3", "acetate-", "citrate-3", "tartrate-2"} {
			buffer = buffer || s.Dissolved[acid] > 0
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
