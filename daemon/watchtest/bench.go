// Package watchtest is the bench that the watch is tested on: a simulated supply in virtual time, the configuration of
// a cell, and waiting for what is meant. Tests alone import it.
package watchtest

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// Bench is a simulated instrument on channel 1, in process and in virtual time. It
// keeps every command that was sent to it, so that tests can show what never was.
type Bench struct {
	Clock      drivers.Clock
	Instrument *simulated.Instrument

	mu        sync.Mutex
	commands  []string
	Deaf      bool          // commands are swallowed
	Ignore    int           // so many commands are swallowed first
	Mute      bool          // the output state is not told
	Blind     bool          // status questions are refused
	Slow      time.Duration // that a question takes beyond the usual
	OnCommand func()
	Gone      bool   // the port is unplugged
	Taken     string // by this process, every answer to a poll
	Stuck     bool   // polls hang until their context ends
	// Tell changes what the supply says of itself; nil: nothing.
	Tell func(*drivers.Status)
	// May is the permission in force, against which every command of every test is held; nil: none is.
	May func() alerts.Permission
	t   testing.TB
}

// New is a bench on which a scenario is played.
func New(t *testing.T, clock drivers.Clock, scenario string) *Bench {
	t.Helper()
	s, err := simulated.ParseScenario(t.Name(), []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	i, err := simulated.New(simulated.Setup{Clock: clock, Seed: 1, Scenario: s})
	if err != nil {
		t.Fatal(err)
	}
	return &Bench{Clock: clock, Instrument: i, t: t}
}

// Open opens the bench's port.
func (b *Bench) Open(ctx context.Context) (drivers.Supply, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.Gone {
		return nil, fmt.Errorf("no such port: %w", drivers.ErrGone)
	}
	if b.Stuck {
		b.mu.Unlock()
		<-ctx.Done()
		b.mu.Lock()
		return nil, fmt.Errorf("opening: %w", ctx.Err())
	}
	return benchSupply{b}, nil
}

// Change changes the bench while it is in use.
func (b *Bench) Change(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

// Sent are the commands so far.
func (b *Bench) Sent() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.commands...)
}

// benchSupply is an open port of the bench.
type benchSupply struct{ b *Bench }

// exchange takes the few milliseconds that a question takes on a wire.
func (s benchSupply) exchange(ctx context.Context) error {
	s.b.mu.Lock()
	gone, stuck, slow := s.b.Gone, s.b.Stuck, s.b.Slow
	s.b.mu.Unlock()
	if gone {
		return fmt.Errorf("reading: %w", drivers.ErrGone)
	}
	if stuck {
		<-ctx.Done()
		return fmt.Errorf("reading: %w", ctx.Err())
	}
	wire := time.NewTimer(5*time.Millisecond + slow)
	defer wire.Stop()
	select {
	case <-wire.C:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (s benchSupply) Poll(ctx context.Context) (drivers.Reading, error) {
	if err := s.exchange(ctx); err != nil {
		return drivers.Reading{}, err
	}
	s.b.mu.Lock()
	taken := s.b.Taken
	s.b.mu.Unlock()
	if taken != "" {
		return drivers.Reading{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "poll", Shared: &drivers.Shared{By: taken}}
	}
	r, err := s.b.Instrument.Observe(1, s.b.Clock.Now())
	if s.b.Mute {
		r.Output = drivers.OutputUnknown
	}
	return r, err
}

func (s benchSupply) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := s.exchange(ctx); err != nil {
		return drivers.Identity{}, err
	}
	return s.b.Instrument.IdentityAt(s.b.Clock.Now())
}

func (s benchSupply) Status(ctx context.Context) (drivers.Status, error) {
	if err := s.exchange(ctx); err != nil {
		return drivers.Status{}, err
	}
	s.b.mu.Lock()
	blind, tell := s.b.Blind, s.b.Tell
	s.b.mu.Unlock()
	if blind {
		return drivers.Status{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "status"}
	}
	st, err := s.b.Instrument.ObserveStatus(1, s.b.Clock.Now())
	if s.b.Mute {
		st.Output = drivers.OutputUnknown
	}
	if tell != nil {
		tell(&st)
	}
	return st, err
}

func (s benchSupply) command(ctx context.Context, text string) error {
	if err := s.exchange(ctx); err != nil {
		return err
	}
	if s.b.May != nil {
		may := s.b.May()
		if off := text == "OUTP OFF"; off && !may.Off || !off && !may.Hold && !may.Step {
			s.b.t.Errorf("%q was sent, and permitted is only %+v", text, may)
		}
	}
	s.b.mu.Lock()
	s.b.commands = append(s.b.commands, text)
	deaf := s.b.Deaf || s.b.Ignore > 0
	s.b.Ignore--
	s.b.mu.Unlock()
	if s.b.OnCommand != nil {
		s.b.OnCommand()
	}
	if !deaf {
		s.b.Instrument.Handle([]byte(text + "\n"))
	}
	return nil
}

func (s benchSupply) SwitchOff(ctx context.Context) error { return s.command(ctx, "OUTP OFF") }
func (s benchSupply) SetCurrent(ctx context.Context, a drivers.Amperes) error {
	return s.command(ctx, fmt.Sprintf("CURR %.4f", float64(a)))
}
func (s benchSupply) Close() error { return nil }

// zincConfig is the scenario of the demonstration, to be completed by lines of the cell's own table.
const zincConfig = `
data = %q
socket = %q
[page]
listen = ""
[supply.bench]
port = "/dev/null"
range_voltage = "32 V"
range_current = "5 A"
[supply.bench.accuracy]
current_gain = "0.1 %%"
current_offset = "5 mA"
current_resolution = "1 mA"
[cell.zinc-1]
supply = "bench"
poll = "5 s"
sync = "10 min"
reason = "a test"
%s
[cell.zinc-1.bath]
metal = "Zn"
medium = "sulfate"
volume = "0.9 L"
salts = [{ formula = "ZnSO4·7H2O", mass = "250 g", assay = "99.9 %%" }]
ph = 4.5
[cell.zinc-1.target]
%s
[cell.zinc-1.efficiency]
fixed = "88 %%"
[cell.zinc-1.electrodes]
cathode = "aluminium"
cathode_area = "60 cm2"
anode = "lead"
gap = "30 mm"
separator = "diaphragm"
[cell.zinc-1.working]
current = "3 A"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6.5 V"
duration = "30 h"
voltage_drift = "0.5 V"
%s
`

// Zinc is the configuration of the demonstration's cell. cellLines and rest complete it; target is the line of the
// target's table.
func Zinc(dir, cellLines, target, rest string) (*configs.Config, error) {
	return configs.Parse("test.toml", fmt.Appendf(nil, zincConfig, dir, filepath.Join(dir, "s"), cellLines, target, rest))
}

// Watched is a cell under watch.
type Watched interface {
	Latest() *snapshot.Cell
	Run(ctx context.Context) error
}

// Start runs the watch until the returned stop is called; stop returns Run's error.
func Start(t *testing.T, c Watched) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	return func() error {
		cancel()
		return <-done
	}
}

// Live begins with the output on.
const Live = `
name = "live"
[supply]
output = "on"
`

// Short shorts the cell for an hour after the first.
const Short = Live + "[[event]]\nat = \"1 h\"\nkind = \"hard-short\"\nohms = 0.03\nlasts = \"1 h\"\n"

// EachRecord reads the log of a run from its beginning.
func EachRecord(t *testing.T, run string, do func(*runlog.Record)) {
	t.Helper()
	r, err := runlog.Open(run)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var rec runlog.Record
	for {
		switch err := r.Next(&rec); {
		case errors.Is(err, io.EOF):
			return
		case err != nil:
			t.Fatal(err)
		}
		do(&rec)
	}
}

// Standing returns the alarm of a condition in a snapshot.
func Standing(s *snapshot.Cell, c alerts.Condition) (alerts.Alarm, bool) {
	for _, a := range s.Alarms {
		if a.Condition == c.String() {
			return a, true
		}
	}
	return alerts.Alarm{}, false
}
