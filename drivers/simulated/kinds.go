package simulated

import (
	"fmt"
	"reflect"
	"sort"
	"strings"
	"time"
)

// Kind describes one kind of scripted event.
type Kind struct {
	Name string
	// Meaning says what happens, and what the parameters do.
	Meaning string
	// Keys are the parameters it takes besides at, kind, lasts, repeat, times, jitter, vary, channel and note.
	Keys []string
	// Required are those among them without a default.
	Required []string

	place    place
	momentum bool // happens at an instant; lasts makes no sense
	defaults Event
}

// place is what an event acts on.
type place uint8

const (
	onCell   place = iota // shape of the cell's Influence
	onSupply              // a deed
	onMeter
	onWire
)

// Kinds lists every kind of event, sorted by name.
func Kinds() []Kind {
	list := append(append(cellKinds(), supplyKinds()...), wireKinds()...)
	sort.Slice(list, func(a, b int) bool { return list[a].Name < list[b].Name })
	return list
}

func kindNamed(name string) (Kind, bool) {
	for _, k := range Kinds() {
		if k.Name == name {
			return k, true
		}
	}
	return Kind{}, false
}

func kindNames() string {
	var names []string
	for _, k := range Kinds() {
		names = append(names, k.Name)
	}
	return strings.Join(names, ", ")
}

// Default is the value a parameter takes when it is left out, as it would stand in the file; "" if there is none.
func (k Kind) Default(key string) string {
	v := reflect.ValueOf(k.defaults)
	for f := range v.NumField() {
		if v.Type().Field(f).Tag.Get("toml") != key {
			continue
		}
		switch d := v.Field(f).Interface().(type) {
		case Span:
			if d > 0 {
				return fmt.Sprintf("%q", d.duration())
			}
		case float64:
			if d != 0 {
				return fmt.Sprint(d)
			}
		case *float64:
			if d != nil {
				return fmt.Sprint(*d)
			}
		case string:
			if d != "" {
				return fmt.Sprintf("%q", d)
			}
		}
	}
	return ""
}

func span(d time.Duration) Span { return Span(d) }

func number(v float64) *float64 { return &v }

func cellKinds() []Kind {
	return []Kind{
		{Name: "hard-short", Meaning: "metal bridges the electrodes with ohms", Keys: []string{"ohms"}, defaults: Event{Ohms: 0.02}},
		{Name: "whisker", Meaning: "whiskers bridge with about ohms and burn off after about length, one every interval, e times as dense after each growth",
			Keys: []string{"ohms", "interval", "length", "growth"}, defaults: Event{Ohms: 3, Interval: span(3 * time.Minute), Length: span(1500 * time.Millisecond), Growth: span(2 * time.Hour)}},
		{Name: "lead-off", Meaning: "a lead comes off: no current, volts at the set-point"},
		{Name: "contact", Meaning: "a clip heats or corrodes: its resistance rises to ohms over a time, flickering by the share noise",
			Keys: []string{"ohms", "over", "noise"}, defaults: Event{Ohms: 0.2, Over: span(2 * time.Hour), Noise: 0.25}},
		{Name: "evaporation", Meaning: "evaporation goes on factor times as fast", Keys: []string{"factor"}, defaults: Event{Factor: 10}},
		{Name: "leak", Meaning: "catholyte runs out", Keys: []string{"litres_per_hour"}, defaults: Event{LitresPerHour: 0.2}},
		{Name: "clogging", Meaning: "the diaphragm clogs: resistance rises by ohms_per_hour, e times as fast after each growth",
			Keys: []string{"ohms_per_hour", "growth"}, defaults: Event{OhmsPerHour: 0.02, Growth: span(3 * time.Hour)}},
		{Name: "passivation", Meaning: "the anode passivates: volts are added, most of them over a time", Keys: []string{"volts", "over"},
			defaults: Event{Volts: number(3), Over: span(time.Minute)}},
		{Name: "stirrer-stop", Meaning: "transport falls to factor over a time, gas lies under the plates (ohms), and the cell's noise changes noise-fold",
			Keys: []string{"factor", "over", "ohms", "noise"}, defaults: Event{Factor: 0.4, Over: span(time.Minute), Ohms: 0.02, Noise: 3}},
		{Name: "heating", Meaning: "a heater or hot plate brings watts", Keys: []string{"watts"}, defaults: Event{Watts: 20}},
		{Name: "room", Meaning: "the room warms by kelvin (negative: cools) over a time", Keys: []string{"kelvin", "over"}, defaults: Event{Kelvin: 5, Over: span(time.Hour)}},
		{Name: "impurity", Meaning: "hydrogen becomes factor times as easy, over a time: efficiency falls, volts hardly", Keys: []string{"factor", "over"},
			defaults: Event{Factor: 5, Over: span(30 * time.Minute)}},
		{Name: "froth", Meaning: "gas gathers under a cover: resistance grows by ohms and pops, every interval", Keys: []string{"ohms", "interval"},
			defaults: Event{Ohms: 0.05, Interval: span(4 * time.Minute)}},
		{Name: "addition", Meaning: "somebody adds grams of dissolved metal in litres of water", Keys: []string{"grams", "litres"}, place: onSupply, momentum: true},
		{Name: "sample", Meaning: "somebody takes litres of catholyte", Keys: []string{"litres"}, Required: []string{"litres"}, place: onSupply, momentum: true},
	}
}

func supplyKinds() []Kind {
	return []Kind{
		{Name: "panel", Meaning: "somebody turns the set-points to volts and amperes, or the output on or off, at the front panel",
			Keys: []string{"volts", "amperes", "output"}, place: onSupply, momentum: true},
		{Name: "brown-out", Meaning: "the output goes off; the instrument still answers", place: onSupply, momentum: true},
		{Name: "trip", Meaning: "a protection acts: over-voltage, over-current or over-temperature", Keys: []string{"protection"},
			Required: []string{"protection"}, place: onSupply, momentum: true},
		{Name: "mains-cut", Meaning: "no mains while it lasts; back says how the supply returns: off, reset or last",
			Keys: []string{"back"}, place: onSupply, defaults: Event{Back: "off"}},
		{Name: "swapped", Meaning: "another instrument answers", Keys: []string{"identity"}, place: onSupply, defaults: Event{Identity: "EXAMPLE,PS-30-5,SIM-0002,1.0"}},
		{Name: "frozen", Meaning: "the readings stop changing, whatever the cell does", place: onSupply},
		{Name: "fold-back", Meaning: "the supply, too hot, delivers factor times its set current without saying so", Keys: []string{"factor"},
			place: onMeter, defaults: Event{Factor: 0.5}},
		{Name: "offset", Meaning: "the meter's zero wanders by volts and amperes over a time", Keys: []string{"volts", "amperes", "over"},
			place: onMeter, defaults: Event{Over: span(time.Hour)}},
	}
}

func wireKinds() []Kind {
	return []Kind{
		{Name: "silence", Meaning: "nothing said gets through, either way", place: onWire},
		{Name: "garbage", Meaning: "a reply is noise, by chance", Keys: []string{"chance"}, place: onWire, defaults: Event{Chance: 1}},
		{Name: "dropped-characters", Meaning: "each character of a reply is lost by chance", Keys: []string{"chance"}, place: onWire, defaults: Event{Chance: 0.05}},
		{Name: "blank-lines", Meaning: "an empty line comes before a reply, by chance", Keys: []string{"chance"}, place: onWire, defaults: Event{Chance: 1}},
		{Name: "echo", Meaning: "every message comes back before its reply", place: onWire},
		{Name: "special-value", Meaning: "a measured number is replaced, by chance: not-a-number, overflow or negative-overflow",
			Keys: []string{"value", "chance"}, place: onWire, defaults: Event{Value: "not-a-number", Chance: 1}},
		{Name: "late-reply", Meaning: "a reply is delayed, by chance, in the machine's own time", Keys: []string{"delay", "chance"}, place: onWire,
			defaults: Event{Delay: span(3 * time.Second), Chance: 0.02}},
		{Name: "slow-answers", Meaning: "every reply takes delay and up to spread more, in the machine's own time", Keys: []string{"delay", "spread"}, place: onWire,
			defaults: Event{Delay: span(150 * time.Millisecond), Spread: span(100 * time.Millisecond)}},
		{Name: "unplug", Meaning: "the cable is pulled; the port vanishes, and returns when it ends", place: onWire},
	}
}
