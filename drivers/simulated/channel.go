package simulated

import (
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
	setup          ChannelSetup
	cell           *cell.Cell // nil: nothing connected
	volts, amperes float64
	on             bool
	protectVolts   float64
	protectAmperes float64
	protectCurrent bool
	tripped        trip

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
	c := &channel{
		setup: s, volts: s.Volts, amperes: s.Amperes, on: s.On,
		protectVolts: s.ProtectVolts, protectAmperes: s.ProtectAmperes, protectCurrent: s.ProtectCurrent,
		random: rand.New(rand.NewPCG(uint64(seed), uint64(number))),
	}
	if c.protectVolts == 0 {
		c.protectVolts = s.RangeVolts * 1.1
	}
	if c.protectAmperes == 0 {
		c.protectAmperes = s.RangeAmperes * 1.1
	}
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
	return cell.Drive{Volts: c.volts, Amperes: c.amperes * w.fold, On: c.on}
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
		if c.on {
			return cell.Point{Volts: c.volts, ConstantVoltage: true}
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
	if p.Volts > c.protectVolts {
		t |= overVoltage
	}
	if c.protectCurrent && p.Amperes > c.protectAmperes {
		t |= overCurrent
	}
	if !c.on || t == 0 {
		return false
	}
	c.trip(t)
	return true
}

func (c *channel) trip(t trip) {
	c.tripped |= t
	c.on = false
	c.fresh = false
}

// mode is what regulation the output is in.
func (c *channel) mode(p cell.Point) drivers.Mode {
	switch {
	case !c.on:
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
	if b := c.setup.Bubbles * w.noise; b > 0 && p.CellAmperes > 0 {
		keep := math.Exp(-(at - c.bubbleAt).Seconds() / bubbleTime.Seconds())
		c.bubbles = c.bubbles*keep + b*math.Sqrt(1-keep*keep)*c.random.NormFloat64()
		c.bubbleAt = at
		if p.ConstantVoltage {
			amperes -= c.bubbles / p.Slope
		} else {
			volts += c.bubbles
		}
	}
	r := &c.setup.Readback
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
