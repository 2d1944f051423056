package simulated

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/simulated/cell"
)

// trip is a set of protections that have acted.
type trip uint8

const (
	overVoltage trip = 1 << iota
	overCurrent
	overTemperature
)

var tripNames = []string{"over-voltage", "over-current", "over-temperature"}

// names lists the set in the words of drivers.Status.
func (t trip) names() []string {
	var out []string
	for i, n := range tripNames {
		if t&(1<<i) != 0 {
			out = append(out, n)
		}
	}
	return out
}

// channel is one output: set-points, protection, meter and what hangs on it.
type channel struct {
	ChannelSetup            // as it is set now
	number       int        // from 1
	cell         *cell.Cell // nil: nothing connected
	tripped      trip
	wasOn        bool // before the mains went away

	random   *rand.Rand
	bubbles  float64 // V, present value of the cell's noise
	bubbleAt time.Duration

	point   cell.Point // at pointAt
	pointAt time.Duration
	fresh   bool // point belongs to the present state
}

func newChannel(s ChannelSetup, number int, seed int64) (*channel, error) {
	if !(s.RangeVolts > 0) || !(s.RangeAmperes > 0) {
		return nil, fmt.Errorf("simulated: channel %d: range of %g V and %g A; both must be positive", number, s.RangeVolts, s.RangeAmperes)
	}
	if !(s.Volts >= 0 && s.Volts <= s.RangeVolts) || !(s.Amperes >= 0 && s.Amperes <= s.RangeAmperes) {
		return nil, fmt.Errorf("simulated: channel %d: set-points of %g V and %g A; they must lie from 0 to %g V and %g A", number, s.Volts, s.Amperes, s.RangeVolts, s.RangeAmperes)
	}
	c := &channel{ChannelSetup: s, number: number, random: rand.New(rand.NewPCG(uint64(seed), uint64(number)))}
	c.ProtectVolts = cmp.Or(c.ProtectVolts, s.RangeVolts*1.1)
	c.ProtectAmperes = cmp.Or(c.ProtectAmperes, s.RangeAmperes*1.1)
	if s.Cell != nil {
		var err error
		if c.cell, err = cell.New(*s.Cell); err != nil {
			return nil, fmt.Errorf("simulated: channel %d: %w", number, err)
		}
	}
	return c, nil
}

// drive is what the output stage offers to the cell.
func (c *channel) drive(w weather) cell.Drive {
	return cell.Drive{Volts: c.Volts, Amperes: c.Amperes * w.fold, On: c.On}
}

// step passes time, at most cell.MaxStep, in the weather of its middle.
func (c *channel) step(dt time.Duration, w weather) {
	c.fresh = false
	if c.cell != nil {
		p := c.cell.Step(dt.Seconds(), c.drive(w), w.Influence)
		c.protect(p)
	}
}

// settle returns the operating point at an instant, after the protections have seen it.
func (c *channel) settle(at time.Duration, w weather) cell.Point {
	if c.fresh && c.pointAt == at {
		return c.point
	}
	find := func() cell.Point {
		if c.cell != nil {
			return c.cell.Point(c.drive(w), w.Influence)
		}
		if c.On {
			return cell.Point{Volts: c.Volts, ConstantVoltage: true}
		}
		return cell.Point{}
	}
	c.point = find()
	if c.protect(c.point) {
		c.point = find()
	}
	c.pointAt, c.fresh = at, true
	return c.point
}

// protect trips the output if a level is passed, and says whether it did.
func (c *channel) protect(p cell.Point) bool {
	var t trip
	if p.Volts > c.ProtectVolts {
		t |= overVoltage
	}
	if p.Amperes > c.ProtectAmperes {
		t |= overCurrent
	}
	if !c.On || t == 0 {
		return false
	}
	c.trip(t)
	return true
}

func (c *channel) trip(t trip) {
	c.tripped |= t
	c.On = false
	c.fresh = false
}

// mode is what regulation the output is in.
func (c *channel) mode(p cell.Point) drivers.Mode {
	switch {
	case !c.On:
		return drivers.Unregulated
	case p.ConstantVoltage:
		return drivers.ConstantVoltage
	}
	return drivers.ConstantCurrent
}

// bubbleTime is how long the cell remembers its noise: gas grows and leaves.
const bubbleTime = 4 * time.Second

// measure is what the meter shows at an instant. It draws noise, so each call is a new measurement.
func (c *channel) measure(at time.Duration, w weather) (volts, amperes float64) {
	p := c.settle(at, w)
	volts, amperes = p.Volts, p.Amperes
	if b := c.Bubbles * w.noise; b > 0 && p.CellAmperes > 0 {
		keep := math.Exp(-(at - c.bubbleAt).Seconds() / bubbleTime.Seconds())
		c.bubbles = c.bubbles*keep + b*math.Sqrt(1-keep*keep)*c.random.NormFloat64()
		c.bubbleAt = at
		if p.ConstantVoltage {
			amperes -= c.bubbles / p.Slope
		} else {
			volts += c.bubbles
		}
	}
	r := &c.Readback
	volts = read(volts, r.VoltGain, r.VoltOffset+w.offsetVolts, r.VoltNoise*c.random.NormFloat64(), r.VoltResolution)
	amperes = read(amperes, r.AmpereGain, r.AmpereOffset+w.offsetAmperes, r.AmpereNoise*c.random.NormFloat64(), r.AmpereResolution)
	return volts, amperes
}

func read(value, gain, offset, noise, resolution float64) float64 {
	value = value*(1+gain) + offset + noise
	if resolution > 0 {
		value = math.Round(value/resolution)*resolution + 0 // no negative zero
	}
	return value
}

// Truth is what really happened on one channel, which no instrument tells.
type Truth struct {
	cell.Totals
	At            time.Duration // the instant it was taken, on the instrument's clock
	Volts         float64       // at the terminals
	Amperes       float64       // at the terminals
	CellVolts     float64       // behind the leads
	DepositGrams  float64       // on the cathode now
	MetalGrams    float64       // in the catholyte
	InitialGrams  float64       // in the catholyte as the run began
	Concentration float64       // metal in the catholyte, kg/m³ (the same figure in g/L)
	Efficiency    float64       // share of the present current that wins metal
	Output        bool
}

// Truth returns it up to the present of the clock. The channel is counted from 1; an unknown one gives the zero Truth.
func (i *Instrument) Truth(channel int) Truth { return i.TruthAt(channel, i.now()) }

// TruthAt is Truth at a given instant, for virtual time; an instant that is past gives the present.
func (i *Instrument) TruthAt(number int, at time.Duration) Truth {
	i.mu.Lock()
	defer i.mu.Unlock()
	c, w, err := i.look(number, at)
	if err != nil {
		return Truth{}
	}
	p := c.settle(i.at, w)
	t := Truth{At: i.at, Volts: p.Volts, Amperes: p.Amperes, CellVolts: p.Volts, Output: c.On}
	if p.Amperes != 0 {
		t.CellVolts -= w.LeadOhms * p.Amperes
	}
	if c.cell == nil {
		return t
	}
	grams := c.Cell.Metal.MolarMass * 1e3
	t.Totals = c.cell.Totals
	t.DepositGrams, t.MetalGrams, t.InitialGrams = t.Deposit*grams, t.BathMetal*grams, c.Cell.Concentration*c.Cell.Volume*grams
	if t.Volume > 0 {
		t.Concentration = t.MetalGrams / 1e3 / t.Volume
	}
	if p.CellAmperes > 0 {
		t.Efficiency = p.MetalAmperes / p.CellAmperes
	}
	return t
}

// look comes to an instant and finds a channel and what acts on it.
func (i *Instrument) look(number int, at time.Duration) (*channel, weather, error) {
	i.advance(at)
	if number < 1 || number > len(i.channels) {
		return nil, weather{}, fmt.Errorf("simulated: no channel %d; there are %d", number, len(i.channels))
	}
	return i.channels[number-1], i.night.weather(number, i.at), nil
}

// mute tells whether nothing said gets through at the present instant.
func (i *Instrument) mute() bool {
	w := i.night.wire(i.at)
	return i.dark || w.gone || w.silent
}

// Observe polls a channel in process at an instant of virtual time, without any line: what drivers.Supply's Poll
// would give, faults of the script included. The error is a *drivers.Refusal. It costs a few microseconds.
func (i *Instrument) Observe(channel int, at time.Duration) (drivers.Reading, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	c, w, err := i.look(channel, at)
	r := drivers.Reading{At: i.at}
	if err != nil {
		return r, err
	}
	if reason := i.lost(i.night.wire(i.at)); reason != "" {
		return r, &drivers.Refusal{Reason: reason, Query: "MEAS"}
	}
	volts, amperes := i.meter(c)
	r.Volts, r.Amperes = drivers.Volts(volts), drivers.Amperes(amperes)
	r.Mode, r.Output = c.mode(c.settle(i.at, w)), output(c.On)
	return r, nil
}

// ObserveStatus is what drivers.Supply's Status would give at an instant of virtual time. It does not empty the error queue.
func (i *Instrument) ObserveStatus(channel int, at time.Duration) (drivers.Status, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	c, w, err := i.look(channel, at)
	s := drivers.Status{At: i.at}
	if err != nil {
		return s, err
	}
	if i.mute() {
		return s, &drivers.Refusal{Reason: drivers.NoReply, Query: "status"}
	}
	p := c.settle(i.at, w)
	s.Output, s.Mode = output(c.On), c.mode(p)
	s.SetVolts, s.SetAmperes = drivers.Volts(c.Volts), drivers.Amperes(c.Amperes)
	s.LimitVolts, s.LimitAmperes = drivers.Volts(c.ProtectVolts), drivers.Amperes(c.ProtectAmperes)
	s.Tripped, s.Errors = c.tripped.names(), i.listener.Errors()
	return s, nil
}

// IdentityAt is what *IDN? would give at an instant of virtual time.
func (i *Instrument) IdentityAt(at time.Duration) (drivers.Identity, error) {
	i.mu.Lock()
	defer i.mu.Unlock()
	i.advance(at)
	if i.mute() {
		return drivers.Identity{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "*IDN?"}
	}
	return drivers.ParseIdentity(i.identity), nil
}

// meter measures, or repeats itself while the reading is frozen.
func (i *Instrument) meter(c *channel) (volts, amperes float64) {
	if f, ok := i.frozen[c.number]; ok {
		return f[0], f[1]
	}
	return c.measure(i.at, i.night.weather(c.number, i.at))
}

func output(on bool) drivers.Output {
	if on {
		return drivers.OutputOn
	}
	return drivers.OutputOff
}
