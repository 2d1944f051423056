package simulated

import (
	"fmt"
	"math"
	"math/rand/v2"
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

// stated is a figure of a scenario, if it is there, and what it is for.
type stated struct {
	from, to  *float64
	per, plus float64 // what 1 is, and 0
}

func take(list ...stated) {
	for _, f := range list {
		if f.from != nil {
			*f.to = *f.from/f.per + f.plus
		}
	}
}

// begin applies the scenario's sections to channel 1.
func (s *Scenario) begin(c ChannelSetup, seed int64) ChannelSetup {
	b, r := &s.Supply, &c.Readback
	take(stated{b.Volts, &c.Volts, 1, 0}, stated{b.Amperes, &c.Amperes, 1, 0},
		stated{b.ProtectVolts, &c.ProtectVolts, 1, 0}, stated{b.ProtectAmperes, &c.ProtectAmperes, 1, 0},
		stated{b.NoiseVolts, &r.VoltNoise, 1, 0}, stated{b.NoiseAmperes, &r.AmpereNoise, 1, 0},
		stated{b.OffsetAmperes, &r.AmpereOffset, 1, 0}, stated{b.GainAmperes, &r.AmpereGain, 1, 0}, stated{b.Bubbles, &c.Bubbles, 1, 0})
	if b.Output != "" {
		c.On = b.Output == "on"
	}
	c.Cell = s.Cell.apply(c.Cell, seed)
	return c
}

// apply changes the cell, and lets the seed choose a different one within the spread.
func (b *Bath) apply(now *CellSetup, seed int64) *CellSetup {
	c := ZincCell()
	switch {
	case b.Metal == "copper":
		c = CopperCell()
	case b.Metal == "" && now != nil:
		c = *now
	}
	take(stated{b.Litres, &c.Volume, 1e3, 0}, stated{b.GramsPerL, &c.Concentration, c.Metal.MolarMass, 0}, stated{b.Ohms, &c.Resistance, 1, 0},
		stated{b.Margin, &c.Margin, 1e3, 0}, stated{b.Celsius, &c.Temperature, 1, 273.15}, stated{b.RoomSwing, &c.RoomSwing, 1, 0},
		stated{b.HeatLoss, &c.HeatLoss, 1, 0}, stated{b.HeatCapacity, &c.HeatCapacity, 1, 0}, stated{b.Transfer, &c.Transfer, 1, 0},
		stated{b.Cover, &c.Cover, 1, 0})
	if b.Spread > 0 {
		r := rand.New(rand.NewPCG(uint64(seed), 2<<32))
		for _, f := range []*float64{&c.Resistance, &c.HeatLoss, &c.HeatCapacity, &c.Transfer, &c.Hydrogen, &c.AnodeI0, &c.Metal.ExchangeDensity, &c.Cover} {
			*f *= math.Exp(b.Spread * max(-3, min(3, r.NormFloat64())))
		}
	}
	return &c
}
