package watch

import (
	"context"
	"errors"
	"math"
	"sync"
	"sync/atomic"
	"time"

	"nightcell/configs"
	"nightcell/drivers"
	"nightcell/drivers/scpi"
)

// Asked is a meter on an open line.
type Asked interface {
	Poll(ctx context.Context) (scpi.Measured, error)
	Identify(ctx context.Context) (drivers.Identity, error)
	Close() error
}

// Instrument is a second meter of the cell.
type Instrument struct {
	Name     string
	Identity string                       // as of a supply
	Patience time.Duration                // as Settings.Patience
	Amperes  func(answer float64) float64 // that an answer for the current tells of
	Open     func(ctx context.Context) (Asked, error)
}

func instrument(m *configs.Meter, rack *scpi.Rack, clock drivers.Clock) Instrument {
	return Instrument{m.Name, m.Identity, m.FirstContact(), m.Amperes, func(ctx context.Context) (Asked, error) {
		return rack.OpenMultimeter(ctx, m.Settings(), m.Queries, clock)
	}}
}

// meter asks a second meter from a goroutine of its own, so that one that is slow or silent never delays the supply.
type meter struct {
	Instrument
	told    chan measured          // what the watch has not looked at yet
	problem atomic.Pointer[string] // nil: none

	// Of the watch's goroutine.
	newest measured
	wrong  string // what is wrong with its wires, by the supply's newest reading
}

// mostTold is how many readings of a meter wait while the watch is busy with a supply that does not answer.
const mostTold = 256

// look takes the newest reading.
func (m *meter) look() {
	for len(m.told) > 0 {
		m.newest = <-m.told
	}
}

// measured is what a meter showed, and until when that is held.
type measured struct {
	scpi.Measured
	until time.Duration
}

// startMeters begins to ask the cell's meters and returns what ends that.
func (c *Cell) startMeters(ctx context.Context) (stop func()) {
	ctx, cancel := context.WithCancel(ctx)
	var all sync.WaitGroup
	for _, m := range c.meters {
		all.Go(func() { c.askMeter(ctx, m) }) // ends with ctx
	}
	return func() { cancel(); all.Wait() }
}

// askMeter asks one meter at the pace of the cell's polls, and opens its line anew where that is due, until ctx ends.
func (c *Cell) askMeter(ctx context.Context, m *meter) {
	var line Asked
	var wait time.Duration
	drop := func() {
		if line != nil {
			if err := line.Close(); err != nil {
				c.settings.Log.Warn("closing the line to a meter", "cell", c.settings.Cell, "meter", m.Name, "err", err)
			}
			line = nil
		}
	}
	defer drop()
	for ctx.Err() == nil {
		var err error
		if line == nil {
			line, err = m.open(ctx)
		}
		wait = c.every
		if err == nil {
			begun := c.m.now()
			var got scpi.Measured
			if got, err = line.Poll(ctx); err == nil {
				took := c.m.now() - begun
				select {
				case m.told <- measured{got, got.At + heldPolls*max(c.every, took)}:
				default: // nobody has looked for long
				}
				wait = max(wait-took, 0)
			}
		}
		if line == nil || errors.Is(err, drivers.ErrGone) {
			drop()
			wait = max(wait, longBackOff/6)
		}
		c.sayMeter(ctx, m, line != nil, err)
		if drivers.Rest(ctx, c.m.clock.Real(wait)) != nil {
			return
		}
	}
}

// open opens the line and makes sure that the right instrument answers.
func (m *meter) open(ctx context.Context) (Asked, error) {
	ctx, cancel := context.WithTimeout(ctx, max(openTimeout, m.Patience))
	defer cancel()
	line, err := m.Open(ctx)
	if err != nil {
		return nil, err
	}
	id, err := line.Identify(ctx)
	if err == nil {
		err = id.Expect(m.Identity)
	}
	if err != nil {
		return nil, errors.Join(err, line.Close())
	}
	return line, nil
}

// sayMeter tells once each way whether the meter answers.
func (c *Cell) sayMeter(ctx context.Context, m *meter, up bool, err error) {
	before := m.problem.Load()
	switch {
	case ctx.Err() != nil:
	case err != nil:
		text := err.Error()
		if before == nil && !up { // one answer that was refused is not worth a line
			c.settings.Log.Warn("meter does not answer", "cell", c.settings.Cell, "meter", m.Name, "err", err)
		}
		m.problem.Store(&text)
	case before != nil:
		c.settings.Log.Info("meter answers", "cell", c.settings.Cell, "meter", m.Name)
		m.problem.Store(nil)
	}
}

// meterProblems says of each meter what is wrong with it.
func (c *Cell) meterProblems(all []string) []string {
	for _, m := range c.meters {
		problem := m.wrong
		if text := m.problem.Load(); text != nil {
			problem = *text
		}
		all = append(all, problem)
	}
	return all
}

// heldPolls is how many polls a meter's reading is held, or how many times as long as the meter took over it.
const heldPolls = 2

// hearMeters merges what the meters have measured into the supply's reading. While the supply has been silent, the run counts that alone first.
func (c *Cell) hearMeters(reading *drivers.Reading) {
	for i, m := range c.meters {
		if !c.settings.Meters[i].Amperes {
			m.look()
		}
	}
	for i, m := range c.meters {
		for c.settings.Meters[i].Amperes && len(m.told) > 0 && c.run.Alone() {
			m.newest = <-m.told
			r := drivers.Reading{At: m.newest.At, Shown: drivers.Shown{Silent: true}}
			c.merge(&r)
			if (reading == nil || r.At < reading.At) && c.run.Bridge(&r) && reading == nil {
				r.At = c.run.Heard() // how old the supply's is
				c.reading = r
			}
		}
	}
	if reading != nil {
		c.merge(reading)
	}
}

// merge puts what the meters have measured into a reading of the supply. Each figure is the newest one that is not older than heldPolls: a
// line between two would have to wait for the later one, and what holding costs the charge is no more than the current's whole change over
// the run, for the age of the reading.
func (c *Cell) merge(r *drivers.Reading) {
	silent := r.Shown.Silent
	for _, m := range c.meters {
		got := &m.newest
		if !silent {
			m.look()
			m.wrong = ""
		}
		if r.At > got.until {
			continue
		}
		amperes, flows := drivers.Amperes(m.Amperes(got.Current)), !silent && !c.settings.Dead(r.Amperes, 0) // NaN: not asked
		if flows && r.Amperes > 0 && amperes < 0 && !c.settings.Dead(amperes, 0) {
			m.wrong = "it shows a current against the supply's: swap the two wires at the shunt"
		} else if !math.IsNaN(float64(amperes)) {
			r.Shown.Metered, r.Shown.Amperes, r.Amperes = true, r.Amperes, amperes
		}
		if volts := drivers.Volts(got.Volts); flows && math.Abs(float64(r.Volts-volts)) > max(1, float64(r.Volts)/2) { // no lead takes so much; a short is low at both
			m.wrong = "its volts at the cell are nowhere near the supply's: look for a sense wire that is off"
		} else if !math.IsNaN(got.Volts) && (m.wrong == "" || !silent) {
			r.Shown.AtCell, r.Shown.Volts, r.Volts = true, r.Volts, volts
		}
		r.Kelvin = max(r.Kelvin, got.Kelvin())
	}
}
