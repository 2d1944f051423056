package scpi

import (
	"context"
	"errors"
	"math"
	"strings"
	"time"

	"nightcell/drivers"
)

// MeterQueries say what a meter is asked; "" is not asked.
type MeterQueries struct {
	Current, Voltage, Temperature string
	Shunt                         bool // the answer for the current is in volts across a shunt
}

// OnlyAsks says whether a message is of queries alone.
func OnlyAsks(message string) bool {
	for _, part := range strings.Split(message, ";") {
		words := strings.Fields(part) // white space of any kind ends a header
		if len(words) == 0 || !strings.HasSuffix(words[0], "?") || strings.ContainsAny(part, "\r\n") {
			return false
		}
	}
	return true
}

// Multimeter is an instrument that is only asked. It has the distrust of a Supply and none of its commands.
type Multimeter struct {
	supply *Supply
	asked  [3]*query // current, voltage, temperature
	last   [3]float64
	taken  [3]bool
	most   [3]float64 // largest that was believed
}

// confirmations is how often a value that jumps is asked before it is taken as it is.
const confirmations = 4

// errCommands is the door before a meter's line: what is no query does not pass.
var errCommands = errors.New("a meter is only asked, and one of its messages is more than a query")

// OpenMultimeter opens a meter as Open does a supply.
func (r *Rack) OpenMultimeter(ctx context.Context, s Settings, q MeterQueries, clock drivers.Clock) (*Multimeter, error) {
	d := &s.Dialect
	for _, text := range []string{d.Identify, d.Resync, q.Current, q.Voltage, q.Temperature} {
		if text != "" && !OnlyAsks(text) {
			return nil, errCommands
		}
	}
	d.Remote, d.Local, d.Off, d.SetCurrent, d.Addressing = "", "", "", "", AddressNone
	supply, err := r.Open(ctx, s, clock)
	if err != nil {
		return nil, err
	}
	m := &Multimeter{supply: supply}
	current := supply.instrument.dialect.amperes
	unit := d.AmperesUnit
	if q.Shunt {
		current, unit = supply.instrument.dialect.volts, d.VoltsUnit
	}
	m.asked = [3]*query{supply.query(q.Current, current, unit), supply.query(q.Voltage, supply.instrument.dialect.volts, d.VoltsUnit),
		supply.query(q.Temperature, supply.instrument.dialect.number, "")}
	return m, nil
}

// Measured is what a meter showed at one moment. What it is not asked is NaN.
type Measured struct {
	At          time.Duration // of the first answer, on the monotonic Clock of the driver
	Current     float64       // A, or V across the shunt
	Volts       float64
	Temperature float64 // °C
}

// Kelvin is the temperature in K, 0 where it was not asked.
func (m *Measured) Kelvin() float64 {
	if math.IsNaN(m.Temperature) {
		return 0
	}
	return m.Temperature + 273.15
}

// Poll takes one reading of all that the meter is asked. As with a supply, nothing is returned if anything odd happened, and a jump is measured
// again, after the place in the conversation was found, before it is believed.
func (m *Multimeter) Poll(ctx context.Context) (Measured, error) {
	s := m.supply
	s.mu.Lock()
	defer s.mu.Unlock()
	var values [3]float64
	got := Measured{At: -1}
	if err := s.ready(ctx); err != nil {
		return got, err
	}
	before := s.refusals
	for i, q := range m.asked {
		if values[i] = math.NaN(); q == nil {
			continue
		}
		x, at, err := m.believed(ctx, i, q)
		if err != nil {
			return got, err
		}
		if values[i] = x; got.At < 0 {
			got.At = at
		}
	}
	if s.refusals != before {
		return got, s.refusal(drivers.Unasked, s.anchor, nil)
	}
	if s.probation {
		if err := s.prove(ctx); err != nil {
			return got, err
		}
		s.probation = false
	}
	for i, q := range m.asked {
		m.last[i], m.taken[i] = values[i], q != nil
	}
	got.Current, got.Volts, got.Temperature = values[0], values[1], values[2]
	return got, nil
}

// believed asks one query, and again where the answer jumps, until one agrees with another or with the last that was returned. Where the cell itself
// jumps about, the last of a few is taken as it is.
func (m *Multimeter) believed(ctx context.Context, i int, q *query) (x float64, at time.Duration, err error) {
	s := m.supply
	var seen []float64
	if m.taken[i] {
		seen = append(seen, m.last[i])
	}
	for range confirmations {
		var sent, received time.Time
		if x, sent, received, err = s.number(ctx, q, s.timeout()); err != nil {
			return x, at, err
		}
		at, _ = s.stamp(sent, received)
		for _, other := range seen {
			if math.Abs(x-other) <= max(jumpOfValue*math.Abs(other), jumpOfRange*m.most[i]) {
				m.most[i] = max(m.most[i], math.Abs(x))
				return x, at, nil
			}
		}
		seen = append(seen, x)
		s.unsure = true // a jump may be the answer to another query
		if err = s.ready(ctx); err != nil {
			return x, at, err
		}
	}
	return x, at, nil
}

// Identify asks who is there, as a Supply does.
func (m *Multimeter) Identify(ctx context.Context) (drivers.Identity, error) {
	return m.supply.Identify(ctx)
}

// Close gives the line back.
func (m *Multimeter) Close() error { return m.supply.Close() }
