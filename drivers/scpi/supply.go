// Package scpi speaks SCPI-1999 with a bench supply over a line, and makes readings
// of its answers. How a supply speaks is data, a Dialect; what this package adds is
// distrust: an answer that is late, garbled, impossible or not confirmed is
// refused, with its reason, and after any oddity the place in the conversation is found
// again by a query whose answer is known, so that volts are never taken for amperes.
package scpi

import (
	"context"
	"math"
	"strconv"
	"strings"
	"time"

	"nightcell/drivers"
)

// Supply is one channel of one instrument. It implements drivers.Supply and drivers.Switcher.
type Supply struct {
	*instrument
	settings Settings
	clock    drivers.Clock
	at       *shared

	volts, amperes, both     *query
	parts                    [2]string // of both, in the order of its answers
	output, mode, trips      *query
	setVolts, setAmperes     *query
	limitVolts, limitAmperes *query
	tripVolts, tripAmperes   *query
	queue, selection         *query
	selectIt, off            []byte

	last       drivers.Reading // the newest that was returned
	taken      bool            // there was one
	setPoint   drivers.Amperes // NaN when not known
	sinceState int             // polls since mode and output were asked
	closed     bool
}

var (
	_ drivers.Supply   = (*Supply)(nil)
	_ drivers.Switcher = (*Supply)(nil)
)

func newSupply(s Settings, at *shared, clock drivers.Clock) *Supply {
	d := s.Dialect
	c := &Supply{instrument: at.in, settings: s, clock: clock, at: at, setPoint: drivers.Amperes(math.NaN()), sinceState: s.StatusEvery}
	read := &c.instrument.dialect
	c.volts = c.query(c.addressed(d.MeasureVolts), read.number, d.VoltsUnit)
	c.amperes = c.query(c.addressed(d.MeasureAmperes), read.number, d.AmperesUnit)
	both := c.addressed(d.MeasureBoth)
	c.parts = parts(both)
	if both != "" && d.Addressing == AddressSelect {
		both = d.Selected + ";:" + strings.TrimPrefix(both, ":")
	}
	c.both = c.query(both, nil, "")
	c.output = c.query(c.addressed(d.Output), read.outputState, "")
	c.setVolts = c.query(c.addressed(d.SetVolts), read.level, d.VoltsUnit)
	c.setAmperes = c.query(c.addressed(d.SetAmperes), read.level, d.AmperesUnit)
	c.limitVolts = c.query(c.addressed(d.LimitVolts), read.level, d.VoltsUnit)
	c.limitAmperes = c.query(c.addressed(d.LimitAmperes), read.level, d.AmperesUnit)
	c.tripVolts, c.tripAmperes = c.query(c.addressed(d.TripVolts), read.flag, ""), c.query(c.addressed(d.TripAmperes), read.flag, "")
	c.mode, c.trips = c.query(c.numbered(d.Mode), read.mode, ""), c.query(c.numbered(d.Trips), read.register, "")
	c.queue, c.selection = c.query(d.Errors, nil, ""), c.query(d.Selected, read.channel, "")
	c.selectIt = []byte(c.numbered(d.Select))
	c.off = []byte(c.addressed(d.Off))
	return c
}

// numbered puts the channel's number where the dialect wants it.
func (s *Supply) numbered(text string) string {
	return strings.ReplaceAll(text, channelMark, strconv.Itoa(s.settings.Channel))
}

// addressed makes one message for this channel: the number where {n} stands, else
// the channel list after each command of it, behind a comma if that has a parameter.
func (s *Supply) addressed(text string) string {
	d := s.settings.Dialect
	if text == "" || d.Addressing != AddressList || strings.Contains(text, channelMark) {
		return s.numbered(text)
	}
	parts := strings.Split(text, ";")
	for i, p := range parts {
		between := " "
		if strings.Contains(strings.TrimSpace(p), " ") {
			between = ","
		}
		parts[i] = p + between + s.numbered(d.ChannelList)
	}
	return strings.Join(parts, ";")
}

// Identify asks who is there. The answer must be the one the line began with.
func (s *Supply) Identify(ctx context.Context) (drivers.Identity, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if err := s.ready(ctx); err != nil {
		return drivers.Identity{}, err
	}
	if err := s.prove(ctx); err != nil {
		if !s.note(err) {
			return drivers.Identity{}, err
		}
		if err := s.ready(ctx); err != nil { // either the known identity, or an error
			return drivers.Identity{}, err
		}
	}
	return s.identity, nil
}

// Close gives the channel back, and the line if no other channel uses it, within
// the line's CloseLimit. A second Close does nothing.
func (s *Supply) Close() error {
	if s.closed {
		return nil
	}
	s.closed = true
	return s.at.release(s.instrument)
}

// combined says whether volts and amperes come in one answer; false means that the
// supply was found not to know the combined query, or that its dialect has none.
func (s *Supply) combined() bool { return s.both != nil && !s.knows.separate }

// stamp turns the two ends of an exchange into times of the supply's clock: its middle, and its length.
func (s *Supply) stamp(sent, received time.Time) (at time.Duration, took time.Duration) {
	now, ago := s.clock.Now(), time.Since(received)
	length := received.Sub(sent)
	scaled := func(d time.Duration) time.Duration {
		if s.clock.Speed() == 1 {
			return d
		}
		return time.Duration(float64(d) * s.clock.Speed())
	}
	return now - scaled(ago+length/2), scaled(length)
}
