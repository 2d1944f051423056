// Package simulated is a bench supply with an electrolytic cell behind it, for machines without hardware: it answers
// SCPI-1999 in process or on a pseudo-terminal, obeys the physics of drivers/simulated/cell, keeps the true
// charge, deposit and energy apart from what it reports, and goes wrong on cue.
//
// # Scenario files
//
// A scenario is a TOML file that says how the night begins and what happens in it. All mistakes in a file are reported
// together, each with its line. Times are strings such as "90 s", "2 h 30 min" on the instrument's own clock; other figures are plain
// numbers whose key names the unit. testdata/scenarios/commented-example.toml shows every section:
//
//	name = "dendrite-short"
//	note = "a tree bridges the gap after four hours"
//	expect = ["hard-short"]     # conditions a watch should raise, likeliest first; empty for a quiet night
//	within = "1 min"            # how soon after the first event
//	duration = "6 h"
//
//	[supply]                    # channel 1 as the run begins
//	volts = 6.0
//	amperes = 3.0
//	output = "on"
//
//	[cell]
//	metal = "zinc"              # or "copper"
//	spread = 0.05               # seeds differ by this relative standard deviation
//
//	[[event]]
//	at = "4 h"                  # required; jitter = "1 h" moves it by up to that, by the seed
//	kind = "hard-short"         # required
//	ohms = 0.02                 # vary = 0.3 multiplies the magnitudes by 0.7 to 1.3, by the seed
//	lasts = "10 min"            # left out: for ever; repeat = "1 h" and times = 3 do it again
//
// The kinds, their parameters and defaults are listed by Kinds.
package simulated

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/recording"
	"nightcell/drivers/simulated/cell"
	"nightcell/drivers/simulated/language"
)

// Instrument is a supply and its cells. All its methods may be called from several goroutines.
type Instrument struct {
	mu       sync.Mutex
	setup    Setup
	now      func() time.Duration
	at       time.Duration // how far the physics have come
	channels []*channel
	night    *timeline
	listener *language.Interpreter
	selected int // the channel that INSTrument chose, from 1
	identity string
	dark     bool // without mains
	random   *rand.Rand
	frozen   map[int][2]float64
	player   *recording.Player // answers in place of all this; nil: none
}

// MostChannels bounds what a channel list can name.
const MostChannels = 8

// New builds an instrument that waits for its first question. Nothing runs in the background: physics catch up
// with the clock whenever somebody asks.
func New(s Setup) (*Instrument, error) {
	if len(s.Channels) == 0 {
		s.Channels = DefaultChannels()
	}
	if len(s.Channels) > MostChannels {
		return nil, fmt.Errorf("simulated: %d channels; at most %d can be simulated", len(s.Channels), MostChannels)
	}
	if s.Scenario != nil && s.Scenario.Supply.Identity != "" {
		s.Identity = s.Scenario.Supply.Identity
	}
	s.Identity = cmp.Or(s.Identity, Identity)
	i := &Instrument{setup: s, now: s.Now, identity: s.Identity, selected: 1, frozen: map[int][2]float64{}}
	if i.now == nil {
		if s.Clock.Speed() <= 0 {
			return nil, errors.New("simulated: no clock; set Setup.Clock to drivers.NewClock(1) or Setup.Now")
		}
		i.now = s.Clock.Now
	}
	i.random = rand.New(rand.NewPCG(uint64(s.Seed), 1<<32))
	night, err := compile(s.Scenario, s.Seed, len(s.Channels))
	if err != nil {
		return nil, err
	}
	i.night = night
	for n, cs := range s.Channels {
		if n == 0 && s.Scenario != nil {
			cs = s.Scenario.begin(cs, s.Seed)
		}
		c, err := newChannel(cs, n+1, s.Seed)
		if err != nil {
			return nil, err
		}
		i.channels = append(i.channels, c)
	}
	i.listen()
	if s.Recording != nil {
		i.player, err = s.Recording.Player()
	}
	return i, err
}

// advance brings the physics to an instant, stopping at every one where something happens. Time never goes back.
func (i *Instrument) advance(to time.Duration) {
	const longest = time.Duration(cell.MaxStep * float64(time.Second))
	i.happen()
	for i.at < to {
		next := min(to, i.at+longest, i.night.next(i.at))
		middle := i.at + (next-i.at)/2
		for n, c := range i.channels {
			c.step(next-i.at, i.night.weather(n+1, middle))
		}
		i.at = next
		i.happen()
	}
}

// happen carries out the scripted deeds that are due.
func (i *Instrument) happen() {
	for _, d := range i.night.due(i.at) {
		c := i.channels[d.Channel-1]
		c.fresh = false
		d.kind.does(i, c, d)
	}
}

// pour brings kg of metal and m³ of liquid into the cell, if there is one.
func (c *channel) pour(metal, volume float64) {
	if c.cell != nil {
		c.cell.Add(metal, volume)
	}
}

// given is v, or what there was if the scenario left v out.
func given(v *float64, before float64) float64 {
	if v == nil {
		return before
	}
	return *v
}

// powerOff is the mains going away: no output, no answers, registers lost.
func (i *Instrument) powerOff() {
	i.dark = true
	for _, c := range i.channels {
		c.wasOn = c.On // remembered for a supply that comes back as it was
		c.On, c.tripped, c.fresh = false, 0, false
	}
}

// powerOn is the mains coming back. back is "off" (set-points kept, output off), "reset" (power-on values), or "last".
func (i *Instrument) powerOn(back string) {
	i.dark, i.selected = false, 1
	i.listener.Clear()
	for _, c := range i.channels {
		c.fresh = false
		switch back {
		case "last":
			c.On = c.wasOn
		case "reset":
			c.reset()
		}
	}
}

// reset is what *RST does to a channel: output off, no volts, a small current.
func (c *channel) reset() {
	c.On, c.fresh = false, false
	c.Volts, c.Amperes = 0, c.RangeAmperes*0.1
	c.ProtectVolts, c.ProtectAmperes = c.RangeVolts*1.1, c.RangeAmperes*1.1
	c.tripped = 0
}

// Handle answers one program message, with or without its terminator, as the line would deliver it:
// the reply may be empty, late replies come at once, and a scripted fault may have spoiled it.
func (i *Instrument) Handle(message []byte) []byte { return i.respond(message).reply }

// response is a reply and how long the instrument takes over it, in the machine's own time.
type response struct {
	reply []byte
	delay time.Duration
}

// longestLine bounds a program message without terminator; the instrument then reports an overrun.
const longestLine = 4096

// hear takes the first whole message out of what has come; length 0: there is none yet.
func (i *Instrument) hear(heard []byte) (length int, answer []response) {
	if i.player == nil {
		if length = bytes.IndexByte(heard, '\n') + 1; length == 0 && len(heard) >= longestLine {
			length = len(heard)
		}
		if length == 0 {
			return 0, nil
		}
		return length, []response{i.respond(heard[:length])}
	}
	length, pieces := i.player.Hear(heard)
	for _, p := range pieces {
		answer = append(answer, response{[]byte(p.Text), p.After})
	}
	return length, answer
}

func (i *Instrument) respond(message []byte) response {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(i.now())
	w := i.night.wire(i.at)
	if i.dark || w.gone || w.silent {
		return response{}
	}
	r := response{reply: []byte(i.listener.Handle(string(message)))}
	if w.echo {
		r.reply = append([]byte(strings.TrimRight(string(message), "\r\n")+"\n"), r.reply...)
	}
	return i.spoil(w, r)
}

// CellSetup describes a cell as the run begins, in SI units.
type CellSetup = cell.Setup

// ZincCell is our scenario: 0.9 L of catholyte with 250 g of ZnSO4·7H2O (56.8 g of zinc), an aluminium cathode of 60 cm².
func ZincCell() CellSetup { return cell.Zinc() }

// CopperCell is a bath whose depletion shows in the volts.
func CopperCell() CellSetup { return cell.Copper() }

// Setup describes an instrument as the run begins.
type Setup struct {
	// Clock is the time on which everything happens; Now, if set, takes its place (virtual time in tests).
	Clock drivers.Clock
	Now   func() time.Duration
	// Seed decides noise, and what a scenario leaves to chance. Equal seeds and equal times of asking give equal answers.
	Seed int64
	// Channels, at least one; none at all means DefaultChannels.
	Channels []ChannelSetup
	// Scenario, if any, changes channel 1 and scripts the night.
	Scenario *Scenario
	// Identity answers *IDN?; "" is an invented one.
	Identity string
	// Recording, if any, answers on the pseudo-terminal in place of the instrument.
	Recording *recording.Recording
}

// Identity is the invented maker, model, serial number and firmware of the default instrument.
const Identity = "EXAMPLE,PS-30-5,SIM-0001,1.0"

// ChannelSetup describes one output as the run begins.
type ChannelSetup struct {
	RangeVolts, RangeAmperes float64
	Volts, Amperes           float64 // set-points
	On                       bool
	ProtectVolts             float64 // over-voltage level
	ProtectAmperes           float64 // over-current level
	Readback                 Readback
	Cell                     *CellSetup // nil: nothing connected
	Bubbles                  float64    // V, standard deviation of the cell's own noise; a slow one, 4 s
}

// Readback is how the meter of a channel errs.
type Readback struct {
	VoltGain, AmpereGain             float64 // relative
	VoltOffset, AmpereOffset         float64 // V, A
	VoltNoise, AmpereNoise           float64 // V, A, standard deviation, white
	VoltResolution, AmpereResolution float64 // V, A; 0 is none
}

// DefaultChannels are an output that has already begun our scenario at 3 A, 5 A/dm² (nightcell never switches
// an output on, so somebody else must have), and an idle one. The meter errs within 0.1 % + 5 mA and 0.05 % + 10 mV.
func DefaultChannels() []ChannelSetup {
	zinc := ZincCell()
	meter := Readback{
		VoltGain: 2e-4, AmpereGain: 3e-4, VoltOffset: 2e-3, AmpereOffset: 8e-4,
		VoltNoise: 5e-4, AmpereNoise: 4e-4, VoltResolution: 1e-3, AmpereResolution: 1e-4,
	}
	first := ChannelSetup{
		RangeVolts: 32, RangeAmperes: 5.1, Volts: 6, Amperes: 3, On: true,
		ProtectVolts: 8, ProtectAmperes: 4,
		Readback: meter, Cell: &zinc, Bubbles: 1.5e-3,
	}
	second := first
	second.Volts, second.Amperes, second.On, second.Cell, second.Bubbles = 0, 0.1, false, nil, 0
	return []ChannelSetup{first, second}
}

// LiveChannels are the default ones of which the first so many drive a cell each, at 3 A, 1.5 A, 1 A and so on.
func LiveChannels(live int) []ChannelSetup {
	all := DefaultChannels()
	first := all[0]
	for n := 1; n < live; n++ {
		zinc, c := ZincCell(), first
		c.Amperes, c.Cell = first.Amperes/float64(n+1), &zinc
		all = append(all[:n], c)
	}
	return all
}
