// Package scpi speaks SCPI-1999 with a bench supply over a line, and makes readings
// of its answers. How a supply speaks is data, a Dialect; what this package adds is
// distrust: an answer that is late, garbled, impossible or not confirmed is
// refused, with its reason, and after any oddity the place in the conversation is found
// again by a query whose answer is known, so that volts are never taken for amperes.
package scpi

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"sync"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/recording"
)

// Settings say how to reach one channel of one supply.
type Settings struct {
	Line         line.Settings // its terminators and echo are those of the Dialect
	Dialect      Dialect       // the zero Dialect means Standard
	Channel      int           // 0 means 1
	RangeVolts   drivers.Volts // most it can put out; 0 when not known
	RangeAmperes drivers.Amperes
	// LimitAmperes is a current that cannot be exceeded, until Status has told the
	// set-point; 0 means RangeAmperes.
	LimitAmperes drivers.Amperes
	// StatusEvery is how many polls pass from one question for mode and output state
	// to the next; 0 means 5, negative means only when volts or amperes jump.
	StatusEvery int
	// Noted, if not nil, is told of each refusal that was made good and is therefore not returned.
	Noted func(*drivers.Refusal)
}

func (s Settings) withDefaults() Settings {
	s.Dialect = cmp.Or(s.Dialect, Standard())
	s.Channel = cmp.Or(s.Channel, 1)
	s.LimitAmperes = cmp.Or(s.LimitAmperes, s.RangeAmperes)
	s.StatusEvery = cmp.Or(s.StatusEvery, 5)
	s.Dialect.Resync = cmp.Or(s.Dialect.Resync, s.Dialect.Identify)
	s.Line.Terminator, s.Line.ReplyTerminator = s.Dialect.Terminator, s.Dialect.ReplyTerminator
	if s.Line.Bare = s.Dialect.Terminator == NoTerminator; s.Line.Bare {
		s.Line.Terminator = ""
	}
	s.Line.Silence = time.Duration(s.Dialect.ReplySilence)
	if s.Line.Modbus, _ = strings.CutPrefix(s.Dialect.Protocol, "modbus-"); s.Line.Modbus != "" {
		s.Line.Unit = s.Dialect.Unit
	}
	s.Line.Echo, s.Line.Patience = s.Dialect.Echo, time.Duration(s.Dialect.Timeout)
	return s
}

// Rack opens supplies. Channels of one instrument, and units of Modbus on one line, share
// the line and take turns on it. What was learned about a supply's firmware outlives
// its line. The zero Rack is ready for use, from several goroutines.
type Rack struct {
	Record *recording.Recorder // keeps every byte on all lines; nil: none

	mu    sync.Mutex
	lines map[string]*bus // by address
}

// bus is one line, with the instruments on it by their units, 0 where these are not addressed.
type bus struct {
	units map[int]*shared

	mu   sync.Mutex // held while the line is opened
	line *line.Line // the way that was opened last, closed or not
}

// shared is one instrument while any channel is open.
type shared struct {
	on       *bus
	mu       sync.Mutex  // held while it is connected
	settings Settings    // of the open line
	in       *instrument // the last, gone or not
	users    int
}

// Open opens one channel: lock the port, drain, send the remote command if the
// dialect has one, and ask who is there. It changes nothing else. The error
// says what to mend; it wraps a *drivers.Refusal when the port is good and the answers are not.
func (r *Rack) Open(ctx context.Context, s Settings, clock drivers.Clock) (*Supply, error) {
	s = s.withDefaults()
	s.Line.Record = r.Record
	if err := s.Dialect.Check(); err != nil {
		return nil, fmt.Errorf("dialect of the supply on %s: %w", s.Line.Address, err)
	}
	at := r.at(s.Line)
	at.mu.Lock()
	defer at.mu.Unlock()
	if at.users > 0 && at.in.alive() {
		if at.settings.Line != s.Line || at.settings.Dialect != s.Dialect {
			return nil, fmt.Errorf("supply on %s is open with another line or dialect; give all its channels the same", s.Line.Address)
		}
	} else {
		in, err := at.connect(ctx, s)
		if err != nil {
			return nil, fmt.Errorf("supply on %s: %w", s.Line.Address, err)
		}
		if at.in != nil && in.identity == at.in.identity {
			in.knows = at.in.knows
		}
		at.in, at.users, at.settings = in, 0, s
	}
	at.users++
	return newSupply(s, at, clock), nil
}

func (r *Rack) at(l line.Settings) *shared {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.lines == nil {
		r.lines = map[string]*bus{}
	}
	b := r.lines[l.Address]
	if b == nil {
		b = &bus{units: map[int]*shared{}}
		r.lines[l.Address] = b
	}
	if b.units[l.Unit] == nil {
		b.units[l.Unit] = &shared{on: b}
	}
	return b.units[l.Unit]
}

// open opens the line, or the way to one more unit on it.
func (b *bus) open(ctx context.Context, s line.Settings) (l *line.Line, err error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.line != nil {
		l, err = b.line.Beside(s)
	}
	if l == nil && err == nil {
		l, err = line.Open(ctx, s)
	}
	if err == nil {
		b.line = l
	}
	return l, err
}

// connect opens the line and greets the instrument.
func (at *shared) connect(ctx context.Context, s Settings) (*instrument, error) {
	l, err := at.on.open(ctx, s.Line)
	if err != nil {
		return nil, err
	}
	in, err := meet(ctx, l, s)
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return in, nil
}

// meet makes the first contact with the instrument on an open line.
func meet(ctx context.Context, l *line.Line, s Settings) (*instrument, error) {
	in := &instrument{line: l, dialect: s.Dialect, anchor: []byte(s.Dialect.Resync), buf: make([]byte, 0, 256),
		knows: &knowledge{unknown: map[string]bool{}}}
	if err := drivers.Rest(ctx, time.Duration(s.Dialect.OpenPause)); err != nil {
		return nil, err
	}
	if s.Dialect.Remote != "" {
		if err := in.command(ctx, []byte(s.Dialect.Remote)); err != nil {
			return nil, err
		}
	}
	return in, in.greet(ctx)
}

// release gives one channel back, and the line with the last.
func (at *shared) release(in *instrument) error {
	at.mu.Lock()
	defer at.mu.Unlock()
	if at.in == in { // else the line was lost and has been opened anew
		if at.users--; at.users > 0 {
			return nil
		}
	}
	return in.close()
}

func (in *instrument) alive() bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return in.line != nil
}

// close gives the front panel back, if the dialect says how, and then the line.
func (in *instrument) close() error {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.line == nil {
		return nil
	}
	if in.dialect.Local != "" {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		_ = in.command(ctx, []byte(in.dialect.Local)) // a front panel left locked is no reason to keep the port
	}
	if in.line == nil { // the command found the line broken and closed it
		return nil
	}
	err := in.line.Close()
	in.line, in.lost = nil, line.ErrClosed
	return err
}

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
	c.volts = c.query(c.addressed(d.MeasureVolts), read.volts, d.VoltsUnit)
	c.amperes = c.query(c.addressed(d.MeasureAmperes), read.amperes, d.AmperesUnit)
	both := c.addressed(d.MeasureBoth)
	c.parts = parts(both)
	if both != "" && d.Addressing == AddressSelect {
		both = d.Selected + ";:" + strings.TrimPrefix(both, ":")
	}
	c.both = c.query(both, nil, "")
	c.output = c.query(c.addressed(d.Output), read.outputState, "")
	c.setVolts = c.query(c.addressed(d.SetVolts), level(read.volts), d.VoltsUnit)
	c.setAmperes = c.query(c.addressed(d.SetAmperes), level(read.amperes), d.AmperesUnit)
	c.limitVolts = c.query(c.addressed(d.LimitVolts), level(read.volts), d.VoltsUnit)
	c.limitAmperes = c.query(c.addressed(d.LimitAmperes), level(read.amperes), d.AmperesUnit)
	c.tripVolts, c.tripAmperes = c.query(c.addressed(d.TripVolts), read.flag, ""), c.query(c.addressed(d.TripAmperes), read.flag, "")
	c.mode, c.trips = c.query(c.numbered(d.Mode), read.mode, ""), c.query(c.numbered(d.Trips), read.register, "")
	c.queue, c.selection = c.query(d.Errors, c.queued, ""), c.query(d.Selected, read.channel, "")
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
func (s *Supply) stamp(sent, received time.Time) (at, took time.Duration) {
	from, to := s.clock.At(sent), s.clock.At(received)
	return from + (to-from)/2, to - from
}
