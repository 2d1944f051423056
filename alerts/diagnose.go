package alerts

import (
	"fmt"
	"math"
	"strings"

	"nightcell/alerts/trend"
	"nightcell/configs/quantity"
)

// Diagnosis names the likeliest cause of what volts and amperes show, with the
// evidence, the runner-up, and what would tell the two apart.
type Diagnosis struct {
	Likeliest string `toml:"most_likely"`
	Evidence  string `toml:"-"`
	RunnerUp  string `toml:"otherwise"`
	Tells     string `toml:"to_confirm"`
}

// String puts a diagnosis into sentences, the last without its full stop; "" when there is none.
func (d Diagnosis) String() string {
	var parts []string
	for _, p := range [...]struct{ lead, said string }{
		{"Most likely: ", d.Likeliest}, {"Evidence: ", d.Evidence}, {"Otherwise: ", d.RunnerUp}, {"To confirm: ", d.Tells},
	} {
		if p.said != "" {
			parts = append(parts, p.lead+p.said)
		}
	}
	return strings.Join(parts, ". ")
}

// facts is what the causes are weighed by.
type facts struct {
	*features
	Observation        // a copy: what is pointed to from here would be allocated with every reading
	chemistry          *Chemistry
	volt               float64 // one volt in signal units
	dips, spikes, pops int
	fallen             bool // a sudden fall that stays
	atLimit            bool // the supply holds voltage where it should hold current
	usual              float64
	settled            bool
	leads              float64 // V that the leads take more than before
	ohmic              float64 // share of the rise that a step test found ohmic; NaN without one
}

// resistive and surface weigh a cause by the step test, when there was one: the one for
// causes that are a resistance, the other for causes that are not.
func (f *facts) resistive() float64 { return as(!(f.ohmic < 0.4), 0.2) }
func (f *facts) surface() float64   { return as(!(f.ohmic > 0.6), 0.2) }

// cause is one thing that may be wrong, with its weight in the light of the facts: 0
// is out of the question, 1 is as good as certain. The weights are common practice, no source.
type cause struct {
	name   string
	tells  string
	weight func(*facts) float64
}

// as is 1 when a statement holds and less when it does not, so that weights multiply.
func as(holds bool, otherwise float64) float64 {
	if holds {
		return 1
	}
	return otherwise
}

func (f *facts) steady() bool        { return math.Abs(f.Shift) < steadyWithin }
func (f *facts) noisy() bool         { return f.Noise > noiseUp }
func (f *facts) quiet() bool         { return f.Noise > 0 && f.Noise < noiseDown }
func (f *facts) rose(v float64) bool { return f.Rise > v*f.volt }
func (f *facts) fell(v float64) bool { return f.Rise < -v*f.volt }
func (f *facts) jumped() bool        { return f.Jump > jumpVolts*f.volt }
func (f *facts) convex() bool        { return f.Late-f.Early > 2*f.BendU && f.Late > 0 }
func (f *facts) flattens() bool      { return f.Early-f.Late > 2*f.BendU && f.Late > 0 }

// tellJoint belongs to every cause that leads a hand to a joint.
const tellJoint = "before opening or moving a joint, turn the current down, then off if the metal allows"

const tellStep = "a small current step lowers the voltage in proportion if the rise is ohmic"

var causes = []cause{
	{"metal bridging the electrodes", "turn the current down first; then lift the cathode and look between the electrodes", func(f *facts) float64 {
		if f.Volts < floorShare*f.chemistry.FloorVolts && f.Amperes > 0.2*f.usual {
			return 1
		}
		return 0.8 * as(f.fallen, 0.05) * as(f.fell(0.02), 0.3)
	}},
	{"whiskers bridging the gap and burning off", "look for dendrites at the edges", func(f *facts) float64 {
		return 0.95 * as(f.dips >= dipsEnough, 0.1) * as(f.dips > f.spikes, 0.2)
	}},
	{"a lead or clip is off", "check both leads along their length; " + tellJoint, func(f *facts) float64 {
		return as(f.Amperes < 0.03*f.usual && f.Volts > leastVolts, 0)
	}},
	{"a clip or joint is corroded or hot", "measure across each joint; " + tellJoint, func(f *facts) float64 {
		if f.leads > leadVolts/2 {
			return 0.95
		}
		w := 0.3 * as(f.rose(contactVolts), 0.1)
		if f.noisy() && f.rose(contactVolts) {
			w = 0.85 * as(f.Jump < 0.7*f.Rise && f.Tail > 0.1*f.Rise, 0.5)
		}
		return math.Max(w, 0.9*as(f.spikes >= dipsEnough && f.spikes >= f.dips, 0)) * as(f.pops <= f.dips+f.spikes, 0.3) * f.resistive()
	}},
	{"the anode is passivating", "the voltage barely follows a small current step", func(f *facts) float64 {
		w := 0.9 * as(f.jumped(), 0.2) * as(f.rose(jumpVolts/2) || f.atLimit, 0.1)
		return w * f.surface() * as(f.Amperes > 0.03*f.usual, 0) * as(!(f.chemistry.DepletionVisible && f.LimitingRatio > nearlyEmpty), 0.4)
	}},
	{"the metal is running out", "take an assay", func(f *facts) float64 {
		switch {
		case f.LimitingRatio >= 1:
			return 0.9
		case f.chemistry.DepletionVisible && f.LimitingRatio > nearlyEmpty && f.rose(depletedVolts/2):
			return 0.9
		case f.LimitingRatio > nearlyEmpty && f.rose(0.02):
			return 0.3
		}
		return 0
	}},
	{"the stirrer or pump has stopped", "check the stirrer", func(f *facts) float64 {
		changed := f.noisy() || f.quiet()
		return 0.85 * as(changed, 0.05) * as(f.dips+f.spikes+f.pops == 0, 0.2) * as(f.Jump > 0.6*f.Recent && f.Rise < 0.5*f.volt, 0.4) *
			as(math.Abs(f.Tail) < 0.25*math.Abs(f.Recent)+f.Grain, 0.4)
	}},
	{"gas collecting under a cover or the electrodes and popping", "open the cover with care: no flame, no spark", func(f *facts) float64 {
		return 0.9 * as(f.pops >= dipsEnough, 0.05) * as(f.pops > f.dips+f.spikes, 0.1)
	}},
	{"the level is falling by evaporation or a leak", "check the level mark; " + tellStep, func(f *facts) float64 {
		return 0.8 * as(f.rose(0.04), 0.05) * as(!f.jumped(), 0.2) * as(!f.noisy(), 0.5) * as(f.convex(), 0.85) * as(!f.flattens(), 0.7) * f.resistive()
	}},
	{"the diaphragm is clogging", "check the level mark first; " + tellStep, func(f *facts) float64 {
		return 0.75 * as(f.chemistry.Divided, 0) * as(f.rose(0.04), 0.05) * as(!f.jumped(), 0.2) * as(!f.noisy(), 0.5) * as(f.convex(), 0.9) * f.resistive()
	}},
	{"the bath has cooled", "read the thermometer", func(f *facts) float64 {
		return 0.4 * as(f.rose(0.02), 0.1) * as(!f.rose(0.3), 0.3) * as(f.flattens(), 0.7) * as(!f.noisy(), 0.5)
	}},
	{"the bath is getting warm", "read the thermometer; check whether a heater is on", func(f *facts) float64 {
		return 0.8 * as(f.fell(0.05), 0.05) * as(!f.fallen, 0.2) * as(f.steady(), 0.4) * as(f.dips == 0, 0.5)
	}},
	{"one of several electrodes is shorted", "inspect or weigh: the voltage changes by tens of millivolts only", func(f *facts) float64 {
		return 0.35 * as(f.fell(0.02), 0.05)
	}},
	{"the supply delivers less than its set-point, as when overheated", "feel the supply's air outlet; read its display", func(f *facts) float64 {
		return 0.95 * as(f.Shift < -steadyWithin && !f.atLimit && f.settled, 0) * as(f.spikes == 0, 0.3)
	}},
}

// Diagnose weighs the causes against what is known at this moment. It allocates; it is
// for texts, not for the hot path.
func (b *Board) Diagnose(o *Observation) Diagnosis {
	f := b.facts(o)
	first, second := -1, -1
	var w1, w2 float64
	for i := range causes {
		w := causes[i].weight(f)
		switch {
		case w > w1:
			first, second, w1, w2 = i, first, w, w1
		case w > w2:
			second, w2 = i, w
		}
	}
	const leastWeight = 0.15
	var d Diagnosis
	if first >= 0 && w1 >= leastWeight {
		d.Likeliest, d.Tells = causes[first].name, causes[first].tells
		if !math.IsNaN(f.ohmic) {
			d.Tells = strings.TrimSuffix(d.Tells, "; "+tellStep) // that was done
		}
	}
	if second >= 0 && w2 >= leastWeight/2 && d.Likeliest != "" {
		d.RunnerUp = causes[second].name
	}
	d.Evidence = b.evidence(f)
	return d
}

func (b *Board) facts(o *Observation) *facts {
	e := &b.m.Excursions
	return &facts{
		ohmic:    b.ohmicShare(),
		features: &b.m.Features, Observation: *o, chemistry: &b.chemistry, volt: b.inSignal(1),
		dips: e.Dips.Within(e.LastAt, dipsIn), spikes: e.Spikes.Within(e.LastAt, dipsIn), pops: e.Pops.Within(e.LastAt, dipsIn),
		fallen:  e.Side < 0 && e.LastAt-e.Since > softShort && e.Deepest < -softDepth*math.Abs(e.Level),
		atLimit: b.m.Regulation == ConstantCurrent && modeOf(o) == ConstantVoltage,
		usual:   b.usual(), leads: o.Meter.LeadVolts, settled: b.m.Corridor.Settled,
	}
}

// atLeast marks a count at which the memory of excursions ends.
func atLeast(n int) string {
	if n >= len(trend.Recent{}.Times) {
		return "at least "
	}
	return ""
}

// evidence puts the features into words.
func (b *Board) evidence(f *facts) string {
	if f.Amperes < 0.03*f.usual || f.Volts < floorShare*f.chemistry.FloorVolts {
		return fmt.Sprintf("%.3g A at %.3g V now", f.Amperes, f.Volts) // the blocks come too late to show it
	}
	if !f.Known || !f.settled {
		return ""
	}
	name, unit, sign := "voltage", "V", 1.0
	held := "current"
	if b.m.Regulation == ConstantVoltage {
		name, unit, sign, held = "current", "A", -1, "voltage"
	}
	where := "on its"
	switch {
	case math.Abs(f.Rise) <= f.Grain:
	case sign*f.Rise > 0:
		where = fmt.Sprintf("%.3f %s above its", math.Abs(f.Rise), unit)
	default:
		where = fmt.Sprintf("%.3f %s below its", math.Abs(f.Rise), unit)
	}
	says := []string{fmt.Sprintf("%s %s baseline of %.4g %s", name, where, sign*b.m.Corridor.Centre, unit)}
	says = append(says, fmt.Sprintf("slope %s %s/h", quantity.WithDoubt(sign*f.Slope, f.SlopeU), unit))
	switch {
	case math.Abs(f.Jump) > f.Grain && math.Abs(f.Jump) > 0.6*math.Abs(f.Recent) && math.Abs(f.Jump) > 0.01*f.volt:
		says = append(says, fmt.Sprintf("%+.3f %s within minutes", sign*f.Jump, unit))
	case f.convex():
		says = append(says, "accelerating")
	case f.flattens():
		says = append(says, "flattening")
	}
	if f.steady() {
		says = append(says, held+" steady")
	} else {
		says = append(says, fmt.Sprintf("%s %+.0f %%", held, 100*f.Shift))
	}
	switch {
	case f.noisy():
		says = append(says, fmt.Sprintf("noise %.1f times baseline", f.Noise))
	case f.quiet():
		says = append(says, fmt.Sprintf("noise down to %.1f of baseline", f.Noise))
	default:
		says = append(says, "noise at baseline")
	}
	if !math.IsNaN(f.ohmic) {
		says = append(says, fmt.Sprintf("%.0f %% of the rise ohmic by step test", 100*math.Max(0, math.Min(f.ohmic, 1))))
	}
	if f.leads > leadVolts/2 {
		says = append(says, fmt.Sprintf("voltage drop in the leads up by %.2f V", f.leads))
	}
	for _, n := range [...]struct {
		count int
		what  string
	}{{f.dips, "dips that burned off"}, {f.spikes, "spikes that returned"}, {f.pops, "slow rises that popped"}} {
		if n.count > 0 {
			says = append(says, fmt.Sprintf("%s%d %s in the last hour", atLeast(n.count), n.count, n.what))
		}
	}
	return strings.Join(says, ", ")
}
