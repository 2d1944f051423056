package simulated

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Kind describes one kind of scripted event.
type Kind struct {
	Name string
	// Keys are the parameters it takes besides at, kind, lasts, repeat, times, jitter, vary, channel and note.
	Keys []string
	// Required are those among them without a default.
	Required []string

	momentum bool // happens at an instant; lasts makes no sense
	defaults Event

	// What it does is one of these. shape adds its course, at t seconds after its beginning, to the weather; it is a function of that time
	// alone, so it does not matter how often anybody looks.
	shape  func(o *occurrence, w *weather, t float64)
	spoils func(e *Event, w *wire)
	does   func(i *Instrument, c *channel, d deed)
}

// Kinds lists every kind of event, sorted by name. The comment at each says what happens, and what its parameters do.
func Kinds() []Kind {
	list := []Kind{
		// What happens to the cell.
		// metal bridges the electrodes with ohms
		{Name: "hard-short", Keys: []string{"ohms"}, defaults: Event{Ohms: 0.02},
			shape: func(o *occurrence, w *weather, _ float64) { w.ShortSiemens += 1 / o.Ohms }},
		// whiskers bridge with about ohms and burn off after about length, one every interval, e times as dense after each growth
		{Name: "whisker",
			Keys: []string{"ohms", "interval", "length", "growth"}, defaults: Event{Ohms: 3, Interval: Span(3 * time.Minute), Length: Span(1500 * time.Millisecond), Growth: Span(2 * time.Hour)},
			shape: func(o *occurrence, w *weather, _ float64) { w.ShortSiemens += o.pulse(w.at) }},
		// a lead comes off: no current, volts at the set-point
		{Name: "lead-off",
			shape: func(_ *occurrence, w *weather, _ float64) { w.LeadOhms = math.Inf(1) }},
		// a clip heats or corrodes: its resistance rises to ohms over a time, flickering by the share noise
		{Name: "contact",
			Keys: []string{"ohms", "over", "noise"}, defaults: Event{Ohms: 0.2, Over: Span(2 * time.Hour), Noise: 0.25},
			shape: func(o *occurrence, w *weather, t float64) {
				w.LeadOhms += o.Ohms * ramp(t, o.Over) * (1 + o.Noise*o.flicker(w.at))
			}},
		// evaporation goes on factor times as fast
		{Name: "evaporation", Keys: []string{"factor"}, defaults: Event{Factor: 10},
			shape: func(o *occurrence, w *weather, _ float64) { w.Evaporation *= o.Factor }},
		// catholyte runs out
		{Name: "leak", Keys: []string{"litres_per_hour"}, defaults: Event{LitresPerHour: 0.2},
			shape: func(o *occurrence, w *weather, _ float64) { w.Leak += o.LitresPerHour / 1e3 / 3600 }},
		// the diaphragm clogs: resistance rises by ohms_per_hour, e times as fast after each growth
		{Name: "clogging",
			Keys: []string{"ohms_per_hour", "growth"}, defaults: Event{OhmsPerHour: 0.02, Growth: Span(3 * time.Hour)},
			shape: func(o *occurrence, w *weather, t float64) {
				if g := o.Growth.seconds(); g > 0 {
					t = g * (math.Exp(math.Min(t/g, 20)) - 1)
				}
				w.ExtraOhms += math.Min(o.OhmsPerHour/3600*t, 100)
			}},
		// the anode passivates: volts are added, most of them over a time
		{Name: "passivation", Keys: []string{"volts", "over"},
			defaults: Event{Volts: number(3), Over: Span(time.Minute)},
			shape: func(o *occurrence, w *weather, t float64) {
				w.AnodeVolts += given(o.Volts, 0) * approach(t, o.Over)
			}},
		// transport falls to factor over a time, gas lies under the plates (ohms), and the cell's noise changes noise-fold
		{Name: "stirrer-stop",
			Keys: []string{"factor", "over", "ohms", "noise"}, defaults: Event{Factor: 0.4, Over: Span(time.Minute), Ohms: 0.02, Noise: 3},
			shape: func(o *occurrence, w *weather, t float64) {
				a := approach(t, o.Over)
				w.Stirring *= 1 - (1-o.Factor)*a
				w.ExtraOhms += o.Ohms * a
				w.noise *= o.Noise
			}},
		// a heater or hot plate brings watts
		{Name: "heating", Keys: []string{"watts"}, defaults: Event{Watts: 20},
			shape: func(o *occurrence, w *weather, _ float64) { w.Heat += o.Watts }},
		// the room warms by kelvin (negative: cools) over a time
		{Name: "room", Keys: []string{"kelvin", "over"}, defaults: Event{Kelvin: 5, Over: Span(time.Hour)},
			shape: func(o *occurrence, w *weather, t float64) { w.Room += o.Kelvin * ramp(t, o.Over) }},
		// hydrogen becomes factor times as easy, over a time: efficiency falls, volts hardly
		{Name: "impurity", Keys: []string{"factor", "over"},
			defaults: Event{Factor: 5, Over: Span(30 * time.Minute)},
			shape: func(o *occurrence, w *weather, t float64) {
				w.Hydrogen += (o.Factor - 1) * ramp(t, o.Over)
			}},
		// gas gathers under a cover: resistance grows by ohms and pops, every interval
		{Name: "froth", Keys: []string{"ohms", "interval"},
			defaults: Event{Ohms: 0.05, Interval: Span(4 * time.Minute)},
			shape:    func(o *occurrence, w *weather, _ float64) { w.ExtraOhms += o.pulse(w.at) }},
		// somebody adds grams of dissolved metal in litres of water
		{Name: "addition", Keys: []string{"grams", "litres"}, momentum: true,
			does: func(_ *Instrument, c *channel, d deed) { c.pour(d.Grams/1e3, d.Litres/1e3) }},
		// somebody takes litres of catholyte
		{Name: "sample", Keys: []string{"litres"}, Required: []string{"litres"}, momentum: true,
			does: func(_ *Instrument, c *channel, d deed) { c.pour(0, -d.Litres/1e3) }},

		// What happens to the supply.
		// somebody turns the set-points to volts and amperes, or the output on or off, at the front panel
		{Name: "panel",
			Keys: []string{"volts", "amperes", "output"}, momentum: true,
			does: func(_ *Instrument, c *channel, d deed) {
				c.Volts, c.Amperes = given(d.Volts, c.Volts), given(d.Amperes, c.Amperes)
				if d.Output != "" {
					c.On = d.Output == "on"
				}
			}},
		// the output goes off; the instrument still answers
		{Name: "brown-out", momentum: true,
			does: func(_ *Instrument, c *channel, _ deed) { c.On = false }},
		// a protection acts: over-voltage, over-current or over-temperature
		{Name: "trip", Keys: []string{"protection"},
			Required: []string{"protection"}, momentum: true,
			does: func(_ *Instrument, c *channel, d deed) {
				c.trip(1 << (slices.Index(tripNames, d.Protection) + 1) >> 1) // none for ""
			}},
		// no mains while it lasts; back says how the supply returns: off, reset or last
		{Name: "mains-cut",
			Keys: []string{"back"}, defaults: Event{Back: "off"},
			does: func(i *Instrument, _ *channel, d deed) {
				if d.ends {
					i.powerOn(d.Back)
				} else {
					i.powerOff()
				}
			}},
		// another instrument answers
		{Name: "swapped", Keys: []string{"identity"}, defaults: Event{Identity: "EXAMPLE,PS-30-5,SIM-0002,1.0"},
			does: func(i *Instrument, _ *channel, d deed) {
				if i.identity = d.Identity; d.ends {
					i.identity = i.setup.Identity // as New left it
				}
			}},
		// the readings stop changing, whatever the cell does
		{Name: "frozen",
			does: func(i *Instrument, c *channel, d deed) {
				if d.ends {
					delete(i.frozen, d.Channel)
					return
				}
				v, a := c.measure(i.at, i.night.weather(d.Channel, i.at))
				i.frozen[d.Channel] = [2]float64{v, a}
			}},
		// the supply, too hot, delivers factor times its set current without saying so
		{Name: "fold-back", Keys: []string{"factor"},
			defaults: Event{Factor: 0.5},
			shape:    func(o *occurrence, w *weather, _ float64) { w.fold *= o.Factor }},
		// the meter's zero wanders by volts and amperes over a time
		{Name: "offset", Keys: []string{"volts", "amperes", "over"},
			defaults: Event{Over: Span(time.Hour)},
			shape: func(o *occurrence, w *weather, t float64) {
				w.offsetVolts += given(o.Volts, 0) * ramp(t, o.Over)
				w.offsetAmperes += given(o.Amperes, 0) * ramp(t, o.Over)
			}},

		// What happens to the line.
		// nothing said gets through, either way
		{Name: "silence", spoils: func(_ *Event, w *wire) { w.silent = true }},
		// a reply is noise, by chance
		{Name: "garbage", Keys: []string{"chance"}, defaults: Event{Chance: 1},
			spoils: func(e *Event, w *wire) { w.garbage = e.Chance }},
		// each character of a reply is lost by chance
		{Name: "dropped-characters", Keys: []string{"chance"}, defaults: Event{Chance: 0.05},
			spoils: func(e *Event, w *wire) { w.drop = e.Chance }},
		// an empty line comes before a reply, by chance
		{Name: "blank-lines", Keys: []string{"chance"}, defaults: Event{Chance: 1},
			spoils: func(e *Event, w *wire) { w.blank = e.Chance }},
		// every message comes back before its reply
		{Name: "echo", spoils: func(_ *Event, w *wire) { w.echo = true }},
		// a measured number is replaced, by chance: not-a-number, overflow or negative-overflow
		{Name: "special-value",
			Keys: []string{"value", "chance"}, defaults: Event{Value: "not-a-number", Chance: 1},
			spoils: func(e *Event, w *wire) { w.special, w.value = e.Chance, e.Value }},
		// a reply is delayed, by chance, in the machine's own time
		{Name: "late-reply", Keys: []string{"delay", "chance"},
			defaults: Event{Delay: Span(3 * time.Second), Chance: 0.02},
			spoils:   func(e *Event, w *wire) { w.late, w.lateBy = e.Chance, e.Delay.duration() }},
		// every reply takes delay and up to spread more, in the machine's own time
		{Name: "slow-answers", Keys: []string{"delay", "spread"},
			defaults: Event{Delay: Span(150 * time.Millisecond), Spread: Span(100 * time.Millisecond)},
			spoils:   func(e *Event, w *wire) { w.slow, w.spread = e.Delay.duration(), e.Spread.duration() }},
		// the cable is pulled; the port vanishes, and returns when it ends
		{Name: "unplug", spoils: func(_ *Event, w *wire) { w.gone = true }},
	}
	slices.SortFunc(list, func(a, b Kind) int { return strings.Compare(a.Name, b.Name) })
	return list
}

// kindNamed finds a kind; the error lists those there are.
func kindNamed(name string) (Kind, error) {
	var names []string
	for _, k := range Kinds() {
		if k.Name == name {
			return k, nil
		}
		names = append(names, k.Name)
	}
	return Kind{}, fmt.Errorf("%q is not a kind of event; the kinds are %s", name, strings.Join(names, ", "))
}

func number(v float64) *float64 { return &v }
