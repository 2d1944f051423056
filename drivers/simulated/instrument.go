package simulated

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"sync"
	"time"

	"nightcell/drivers/simulated/cell"
	"nightcell/drivers/simulated/language"
)

// Instrument is a supply and its cells. All its methods may be called from several goroutines.
type Instrument struct {
	mu                      sync.Mutex
	setup                   Setup
	now                     func() time.Duration
	at                      time.Duration // how far the physics have come
	channels                []*channel
	night                   *timeline
	listener                *language.Interpreter
	questionable, operation *language.Register
	selected                int // index of the channel that INSTrument chose
	identity                string
	locked                  bool
	dark                    bool // without mains
	random                  *rand.Rand
	frozen                  map[int][2]float64
}

// maximumChannels bounds what a channel list can name.
const maximumChannels = 8

// New builds an instrument that waits for its first question. Nothing runs in the background: physics catch up
// with the clock whenever somebody asks.
func New(s Setup) (*Instrument, error) {
	if len(s.Channels) == 0 {
		s.Channels = DefaultChannels()
	}
	if len(s.Channels) > maximumChannels {
		return nil, fmt.Errorf("simulated: %d channels; at most %d can be simulated", len(s.Channels), maximumChannels)
	}
	if s.Scenario != nil && s.Scenario.Supply.Identity != "" {
		s.Identity = s.Scenario.Supply.Identity
	}
	if s.Identity == "" {
		s.Identity = Identity
	}
	i := &Instrument{setup: s, now: s.Now, identity: s.Identity, frozen: map[int][2]float64{}}
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
	return i, nil
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
		i.perform(d)
	}
}

// perform does one deed to the supply or the bath.
func (i *Instrument) perform(d deed) {
	e, c := d.event, i.channels[d.channel-1]
	c.fresh = false
	switch d.event.Kind {
	case "addition":
		if c.cell != nil {
			c.cell.Add(e.Grams/1e3, e.Litres/1e3)
		}
	case "sample":
		if c.cell != nil {
			c.cell.Add(0, -e.Litres/1e3)
		}
	case "panel":
		c.volts, c.amperes = given(e.Volts, c.volts), given(e.Amperes, c.amperes)
		if e.Output != "" {
			c.on = e.Output == "on"
		}
	case "brown-out":
		c.on = false
	case "trip":
		c.trip(protectionNamed(e.Protection))
	case "swapped":
		i.identity = e.Identity
		if d.ends {
			i.identity = i.setup.Identity // as New left it
		}
	case "frozen":
		if d.ends {
			delete(i.frozen, d.channel)
			return
		}
		v, a := c.measure(i.at, i.night.weather(d.channel, i.at))
		i.frozen[d.channel] = [2]float64{v, a}
	case "mains-cut":
		if !d.ends {
			i.powerOff()
			return
		}
		i.powerOn(e.Back)
	}
}

// given is v, or what there was if the scenario left v out.
func given(v *float64, before float64) float64 {
	if v == nil {
		return before
	}
	return *v
}

func protectionNamed(name string) trip {
	for n, known := range tripNames {
		if known == name {
			return 1 << n
		}
	}
	return 0
}

// powerOff is the mains going away: no output, no answers, registers lost.
func (i *Instrument) powerOff() {
	i.dark = true
	for _, c := range i.channels {
		c.setup.On = c.on // remembered for a supply that comes back as it was
		c.on, c.tripped, c.fresh = false, 0, false
	}
}

// powerOn is the mains coming back. back is "off" (set-points kept, output off), "reset" (power-on values), or "last".
func (i *Instrument) powerOn(back string) {
	i.dark, i.locked, i.selected = false, false, 0
	i.listener.PowerOn()
	for _, c := range i.channels {
		c.fresh = false
		switch back {
		case "last":
			c.on = c.setup.On
		case "reset":
			c.reset()
		}
	}
}

// reset is what *RST does to a channel: output off, no volts, a small current.
func (c *channel) reset() {
	c.on, c.fresh = false, false
	c.volts, c.amperes = 0, c.setup.RangeAmperes*0.1
	c.protectVolts, c.protectAmperes = c.setup.RangeVolts*1.1, c.setup.RangeAmperes*1.1
	c.protectCurrent = false
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

func (i *Instrument) respond(message []byte) response {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(i.now())
	w := i.night.wire(i.at)
	if i.dark || w.gone || w.silent {
		return response{}
	}
	reply := i.listener.Handle(string(message))
	i.questionable.Update()
	i.operation.Update()
	r := response{reply: []byte(reply)}
	if w.echo {
		r.reply = append([]byte(strings.TrimRight(string(message), "\r\n")+"\n"), r.reply...)
	}
	return i.spoil(w, r)
}
