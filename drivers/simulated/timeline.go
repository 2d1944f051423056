package simulated

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sort"
	"time"

	"nightcell/drivers/simulated/cell"
)

// forever is when a thing that never ends would end.
const forever = time.Duration(math.MaxInt64)

// mostOccurrences bounds how often one event can repeat, so that a file cannot ask for all the memory there is.
const mostOccurrences = 20000

// occurrence is one happening of an event, with what the seed has decided.
type occurrence struct {
	Event
	kind     Kind
	from, to time.Duration
	seed     uint64
	pulses   []pulse
}

// pulse is one whisker or one pop of froth.
type pulse struct {
	from, to time.Duration
	peak     float64
}

// deed is what happens to the supply or the bath at one instant.
type deed struct {
	*occurrence
	at   time.Duration
	ends bool
}

// timeline is a scenario made concrete by a seed.
type timeline struct {
	cell   [MostChannels + 1][]*occurrence // cell and meter, by channel
	line   []*occurrence
	deeds  []deed
	done   int             // deeds carried out
	breaks []time.Duration // every instant at which something begins or ends
}

// compile makes a scenario concrete. A nil scenario is a plain night.
func compile(s *Scenario, seed int64, channels int) (*timeline, error) {
	t := &timeline{}
	if s == nil {
		return t, nil
	}
	night := cmp.Or(s.Duration.duration(), 7*24*time.Hour)
	for n, e := range s.Events {
		kind, err := kindNamed(e.Kind)
		if err != nil {
			return nil, fmt.Errorf("simulated: event %d of scenario %q: %w", n+1, s.Name, err)
		}
		e.Channel = cmp.Or(e.Channel, 1)
		if e.Channel > channels {
			return nil, fmt.Errorf("simulated: event %d of scenario %q names channel %d; the instrument has %d", n+1, s.Name, e.Channel, channels)
		}
		r := rand.New(rand.NewPCG(uint64(seed), uint64(n)+3<<32))
		for k := range occurrences(e, night) {
			o := &occurrence{Event: e, kind: kind, seed: r.Uint64()}
			o.vary(r)
			o.from = e.At.duration() + time.Duration(k)*e.Repeat.duration() + time.Duration(r.Float64()*float64(e.Jitter))
			o.to = forever
			if e.Lasts > 0 {
				o.to = o.from + e.Lasts.duration()
			}
			o.pulses = o.plan(r, night)
			t.enter(o)
		}
	}
	t.finish()
	return t, nil
}

// occurrences counts how often an event happens in a night.
func occurrences(e Event, night time.Duration) int {
	switch {
	case e.Repeat == 0:
		return 1
	case e.Times > 0:
		return min(e.Times, mostOccurrences)
	}
	return min(max(1, int((night-e.At.duration())/e.Repeat.duration())+1), mostOccurrences)
}

// vary multiplies the magnitudes by what the seed says.
func (o *occurrence) vary(r *rand.Rand) {
	e := &o.Event
	draw := func() float64 { return 1 + e.Vary*(2*r.Float64()-1) }
	for _, f := range []*float64{&e.Ohms, &e.OhmsPerHour, &e.Watts, &e.Kelvin, &e.LitresPerHour, &e.Noise} {
		*f *= draw()
	}
	e.Factor = 1 + (e.Factor-1)*draw()
	for _, f := range []*Span{&e.Over, &e.Growth, &e.Interval} {
		*f = Span(float64(*f) * draw())
	}
	if e.Kind == "passivation" && e.Volts != nil { // other volts are what somebody dialled, or a meter's
		e.Volts = number(*e.Volts * draw())
	}
}

// plan lays out the pulses of a whisker or of froth until the event or the night ends.
func (o *occurrence) plan(r *rand.Rand, night time.Duration) []pulse {
	e := &o.Event
	if e.Kind != "whisker" && e.Kind != "froth" {
		return nil
	}
	end := min(o.to, max(night, o.from))
	var list []pulse
	for at := o.from; len(list) < mostOccurrences; {
		mean := e.Interval.seconds()
		if e.Growth > 0 {
			mean *= math.Exp(-(at - o.from).Seconds() / e.Growth.seconds())
		}
		var p pulse
		if e.Kind == "whisker" {
			wait := max(0.1, r.ExpFloat64()*max(mean, 2*e.Length.seconds()))
			p.from = at + seconds(wait)
			p.to = p.from + seconds(e.Length.seconds()*(0.4+1.2*r.Float64())+0.05)
			p.peak = 1 / (e.Ohms * (0.7 + r.Float64()))
		} else {
			p.from = at
			p.to = at + seconds(mean*(0.6+0.8*r.Float64())+0.1)
			p.peak = e.Ohms * (0.7 + 0.6*r.Float64())
		}
		if p.to >= end {
			break
		}
		list = append(list, p)
		at = p.to
	}
	return list
}

func seconds(s float64) time.Duration { return time.Duration(s * float64(time.Second)) }

// enter puts an occurrence where it will be looked for.
func (t *timeline) enter(o *occurrence) {
	t.breaks = append(t.breaks, o.from, o.to)
	for _, p := range o.pulses {
		t.breaks = append(t.breaks, p.from, p.from+(p.to-p.from)/2, p.to) // halves, so that the ramp is followed
	}
	switch {
	case o.kind.shape != nil:
		t.cell[o.Channel] = append(t.cell[o.Channel], o)
	case o.kind.spoils != nil:
		t.line = append(t.line, o)
	default:
		t.deeds = append(t.deeds, deed{occurrence: o, at: o.from})
		if o.to != forever {
			t.deeds = append(t.deeds, deed{occurrence: o, at: o.to, ends: true})
		}
	}
}

func (t *timeline) finish() {
	sort.SliceStable(t.deeds, func(a, b int) bool { return t.deeds[a].at < t.deeds[b].at })
	slices.Sort(t.breaks)
	t.breaks = slices.Compact(t.breaks)
}

// next is the first instant after at when something begins or ends.
func (t *timeline) next(at time.Duration) time.Duration {
	n := sort.Search(len(t.breaks), func(n int) bool { return t.breaks[n] > at })
	if n == len(t.breaks) {
		return forever
	}
	return t.breaks[n]
}

// due returns the deeds not yet carried out whose time has come.
func (t *timeline) due(at time.Duration) []deed {
	first := t.done
	for t.done < len(t.deeds) && t.deeds[t.done].at <= at {
		t.done++
	}
	return t.deeds[first:t.done]
}

// weather is everything that acts on one channel at an instant.
type weather struct {
	cell.Influence
	at            time.Duration
	noise         float64 // factor on the cell's noise
	fold          float64 // factor on the set current
	offsetVolts   float64
	offsetAmperes float64
}

// weather adds up what the script does to a channel.
func (t *timeline) weather(channel int, at time.Duration) weather {
	w := weather{Influence: cell.Healthy(), at: at, noise: 1, fold: 1}
	for _, o := range t.cell[channel] {
		if at >= o.from && at < o.to {
			o.kind.shape(o, &w, (at - o.from).Seconds())
		}
	}
	return w
}

// ramp rises evenly from 0 to 1 over a time.
func ramp(t float64, over Span) float64 {
	if s := over.seconds(); t < s {
		return t / s
	}
	return 1
}

// approach rises from 0 towards 1 with a time constant.
func approach(t float64, over Span) float64 {
	s := over.seconds()
	if s == 0 {
		return 1
	}
	return 1 - math.Exp(-t/s)
}

// pulse is the height of the one that is in progress, which grows until it breaks off: a sawtooth; 0 between two.
func (o *occurrence) pulse(at time.Duration) float64 {
	n := sort.Search(len(o.pulses), func(n int) bool { return o.pulses[n].to > at })
	if n == len(o.pulses) || o.pulses[n].from > at {
		return 0
	}
	p := o.pulses[n]
	return p.peak * (float64(at-p.from) / float64(p.to-p.from))
}

// flicker is a number from −1 to 1 that stays for two seconds: a contact that makes and breaks.
func (o *occurrence) flicker(at time.Duration) float64 {
	x := o.seed ^ uint64(at/(2*time.Second))*0x9e3779b97f4a7c15
	x ^= x >> 30
	x *= 0xbf58476d1ce4e5b9
	x ^= x >> 27
	x *= 0x94d049bb133111eb
	x ^= x >> 31
	return float64(x>>11)/(1<<52) - 1
}
