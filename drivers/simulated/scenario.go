package simulated

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"sort"
	"strings"
	"time"
)

// Scenario is a night as a file describes it. The format is in the package comment.
type Scenario struct {
	Name     string   `toml:"name"`
	Note     string   `toml:"note"`
	Expect   []string `toml:"expect"`   // conditions a watch should raise, likeliest first
	Within   Span     `toml:"within"`   // how soon after the first event
	Duration Span     `toml:"duration"` // of the night; 0: unsaid
	Supply   Begin    `toml:"supply"`
	Cell     Bath     `toml:"cell"`
	Events   []Event  `toml:"-"`
}

// Begin is the supply's channel 1 as the night begins. What is left out stays as in the Setup.
type Begin struct {
	Identity       string   `toml:"identity"`
	Volts          *float64 `toml:"volts"`
	Amperes        *float64 `toml:"amperes"`
	Output         string   `toml:"output"`
	ProtectVolts   *float64 `toml:"protect_volts"`
	ProtectAmperes *float64 `toml:"protect_amperes"`
	NoiseVolts     *float64 `toml:"noise_volts"`
	NoiseAmperes   *float64 `toml:"noise_amperes"`
	OffsetAmperes  *float64 `toml:"offset_amperes"`
	GainAmperes    *float64 `toml:"gain_amperes"` // relative
	Bubbles        *float64 `toml:"bubbles_volts"`
	Manner
}

// Bath is the cell of channel 1 as the night begins.
type Bath struct {
	Metal        string   `toml:"metal"`  // "zinc" or "copper"
	Spread       float64  `toml:"spread"` // relative standard deviation by which seeds differ
	GramsPerL    *float64 `toml:"grams_per_litre"`
	Litres       *float64 `toml:"litres"`
	Ohms         *float64 `toml:"ohms"`
	Celsius      *float64 `toml:"celsius"`
	RoomSwing    *float64 `toml:"room_swing_kelvin"`
	HeatLoss     *float64 `toml:"heat_loss_watts_per_kelvin"`
	HeatCapacity *float64 `toml:"heat_capacity_joules_per_kelvin"`
	Transfer     *float64 `toml:"transfer_metres_per_second"`
	Cover        *float64 `toml:"cover"`
	Margin       *float64 `toml:"margin_millimetres"`
}

// Event is one entry of the script. Which of the parameters a kind uses is told by Kinds.
type Event struct {
	Kind    string  `toml:"kind"`
	At      Span    `toml:"at"`
	Lasts   Span    `toml:"lasts"`  // 0: for ever
	Repeat  Span    `toml:"repeat"` // from one beginning to the next
	Times   int     `toml:"times"`  // how often in all; 0 with repeat: until the night ends
	Jitter  Span    `toml:"jitter"`
	Vary    float64 `toml:"vary"`
	Channel int     `toml:"channel"`
	Note    string  `toml:"note"`

	Ohms          float64  `toml:"ohms"`
	OhmsPerHour   float64  `toml:"ohms_per_hour"`
	Volts         *float64 `toml:"volts"`
	Amperes       *float64 `toml:"amperes"`
	Watts         float64  `toml:"watts"`
	Kelvin        float64  `toml:"kelvin"`
	Factor        float64  `toml:"factor"`
	Noise         float64  `toml:"noise"`
	Chance        float64  `toml:"chance"`
	Grams         float64  `toml:"grams"`
	Litres        float64  `toml:"litres"`
	LitresPerHour float64  `toml:"litres_per_hour"`
	Over          Span     `toml:"over"`
	Growth        Span     `toml:"growth"`
	Interval      Span     `toml:"interval"`
	Length        Span     `toml:"length"`
	Delay         Span     `toml:"delay"`
	Spread        Span     `toml:"spread"`
	Output        string   `toml:"output"`
	Identity      string   `toml:"identity"`
	Protection    string   `toml:"protection"`
	Back          string   `toml:"back"`
	Value         string   `toml:"value"`
}

// Span is a duration written as "90 s", "2 h 30 min" or "1h30m".
type Span time.Duration

// UnmarshalText reads a Span.
func (s *Span) UnmarshalText(text []byte) error {
	compact := strings.ReplaceAll(strings.ReplaceAll(string(text), " ", ""), "min", "m")
	d, err := time.ParseDuration(compact)
	if err != nil {
		return fmt.Errorf("%q is not a time; write it like \"90 s\" or \"2 h 30 min\"", text)
	}
	if d < 0 {
		return fmt.Errorf("%q is negative; times run forward from the beginning", text)
	}
	*s = Span(d)
	return nil
}

func (s Span) duration() time.Duration { return time.Duration(s) }
func (s Span) seconds() float64        { return time.Duration(s).Seconds() }

// begin applies the scenario's sections to channel 1.
func (s *Scenario) begin(c ChannelSetup, seed int64) ChannelSetup {
	b := &s.Supply
	for _, f := range []struct {
		from *float64
		to   *float64
	}{
		{b.Volts, &c.Volts}, {b.Amperes, &c.Amperes}, {b.ProtectVolts, &c.ProtectVolts}, {b.ProtectAmperes, &c.ProtectAmperes},
		{b.NoiseVolts, &c.Readback.VoltNoise}, {b.NoiseAmperes, &c.Readback.AmpereNoise}, {b.OffsetAmperes, &c.Readback.AmpereOffset},
		{b.GainAmperes, &c.Readback.AmpereGain}, {b.Bubbles, &c.Bubbles},
	} {
		if f.from != nil {
			*f.to = *f.from
		}
	}
	if b.Output != "" {
		c.On = b.Output == "on"
	}
	c.Cell = s.Cell.apply(c.Cell, seed)
	return c
}

// apply changes the cell, and lets the seed choose a different one within the spread.
func (b *Bath) apply(now *CellSetup, seed int64) *CellSetup {
	var c CellSetup
	switch {
	case b.Metal == "copper":
		c = CopperCell()
	case b.Metal == "zinc" || now == nil:
		c = ZincCell()
	default:
		c = *now
	}
	set := func(to, from *float64, unit float64) {
		if from != nil {
			*to = *from * unit
		}
	}
	if b.Litres != nil {
		c.Volume = *b.Litres / 1e3
	}
	set(&c.Concentration, b.GramsPerL, 1/c.Metal.MolarMass)
	set(&c.Resistance, b.Ohms, 1)
	if b.Margin != nil {
		c.Margin = *b.Margin / 1e3
	}
	if b.Celsius != nil {
		c.Temperature = *b.Celsius + 273.15
	}
	set(&c.RoomSwing, b.RoomSwing, 1)
	set(&c.HeatLoss, b.HeatLoss, 1)
	set(&c.HeatCapacity, b.HeatCapacity, 1)
	set(&c.Transfer, b.Transfer, 1)
	set(&c.Cover, b.Cover, 1)
	if b.Spread > 0 {
		r := rand.New(rand.NewPCG(uint64(seed), 2<<32))
		for _, f := range []*float64{&c.Resistance, &c.HeatLoss, &c.HeatCapacity, &c.Transfer, &c.Hydrogen, &c.AnodeI0, &c.Metal.ExchangeDensity, &c.Cover} {
			*f *= math.Exp(b.Spread * max(-3, min(3, r.NormFloat64())))
		}
	}
	return &c
}

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

func number(v float64) *float64 { return &v }

func cellKinds() []Kind {
	return []Kind{
		{Name: "hard-short", Meaning: "metal bridges the electrodes with ohms", Keys: []string{"ohms"}, defaults: Event{Ohms: 0.02}},
		{Name: "whisker", Meaning: "whiskers bridge with about ohms and burn off after about length, one every interval, e times as dense after each growth",
			Keys: []string{"ohms", "interval", "length", "growth"}, defaults: Event{Ohms: 3, Interval: Span(3 * time.Minute), Length: Span(1500 * time.Millisecond), Growth: Span(2 * time.Hour)}},
		{Name: "lead-off", Meaning: "a lead comes off: no current, volts at the set-point"},
		{Name: "contact", Meaning: "a clip heats or corrodes: its resistance rises to ohms over a time, flickering by the share noise",
			Keys: []string{"ohms", "over", "noise"}, defaults: Event{Ohms: 0.2, Over: Span(2 * time.Hour), Noise: 0.25}},
		{Name: "evaporation", Meaning: "evaporation goes on factor times as fast", Keys: []string{"factor"}, defaults: Event{Factor: 10}},
		{Name: "leak", Meaning: "catholyte runs out", Keys: []string{"litres_per_hour"}, defaults: Event{LitresPerHour: 0.2}},
		{Name: "clogging", Meaning: "the diaphragm clogs: resistance rises by ohms_per_hour, e times as fast after each growth",
			Keys: []string{"ohms_per_hour", "growth"}, defaults: Event{OhmsPerHour: 0.02, Growth: Span(3 * time.Hour)}},
		{Name: "passivation", Meaning: "the anode passivates: volts are added, most of them over a time", Keys: []string{"volts", "over"},
			defaults: Event{Volts: number(3), Over: Span(time.Minute)}},
		{Name: "stirrer-stop", Meaning: "transport falls to factor over a time, gas lies under the plates (ohms), and the cell's noise changes noise-fold",
			Keys: []string{"factor", "over", "ohms", "noise"}, defaults: Event{Factor: 0.4, Over: Span(time.Minute), Ohms: 0.02, Noise: 3}},
		{Name: "heating", Meaning: "a heater or hot plate brings watts", Keys: []string{"watts"}, defaults: Event{Watts: 20}},
		{Name: "room", Meaning: "the room warms by kelvin (negative: cools) over a time", Keys: []string{"kelvin", "over"}, defaults: Event{Kelvin: 5, Over: Span(time.Hour)}},
		{Name: "impurity", Meaning: "hydrogen becomes factor times as easy, over a time: efficiency falls, volts hardly", Keys: []string{"factor", "over"},
			defaults: Event{Factor: 5, Over: Span(30 * time.Minute)}},
		{Name: "froth", Meaning: "gas gathers under a cover: resistance grows by ohms and pops, every interval", Keys: []string{"ohms", "interval"},
			defaults: Event{Ohms: 0.05, Interval: Span(4 * time.Minute)}},
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
			place: onMeter, defaults: Event{Over: Span(time.Hour)}},
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
			defaults: Event{Delay: Span(3 * time.Second), Chance: 0.02}},
		{Name: "slow-answers", Meaning: "every reply takes delay and up to spread more, in the machine's own time", Keys: []string{"delay", "spread"}, place: onWire,
			defaults: Event{Delay: Span(150 * time.Millisecond), Spread: Span(100 * time.Millisecond)}},
		{Name: "unplug", Meaning: "the cable is pulled; the port vanishes, and returns when it ends", place: onWire},
	}
}
