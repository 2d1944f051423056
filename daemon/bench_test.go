package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
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

// bench is a simulated instrument on channel 1, in process and in virtual time. It
// keeps every command that was sent to it, so that tests can show what never was.
type bench struct {
	clock drivers.Clock
	i     *simulated.Instrument

	mu        sync.Mutex
	commands  []string
	deaf      bool          // commands are swallowed
	ignore    int           // so many commands are swallowed first
	mute      bool          // the output state is not told
	blind     bool          // status questions are refused
	slow      time.Duration // that a question takes beyond the usual
	onCommand func()
	gone      bool   // the port is unplugged
	taken     string // by this process, every answer to a poll
	stuck     bool   // polls hang until their context ends
	polls     int
	opened    int
}

func newBench(t *testing.T, clock drivers.Clock, scenario string) *bench {
	t.Helper()
	s, err := simulated.ParseScenario(t.Name(), []byte(scenario))
	if err != nil {
		t.Fatal(err)
	}
	i, err := simulated.New(simulated.Setup{Clock: clock, Seed: 1, Scenario: s})
	if err != nil {
		t.Fatal(err)
	}
	return &bench{clock: clock, i: i}
}

func (b *bench) open(ctx context.Context, _ Noted) (drivers.Supply, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.gone {
		return nil, fmt.Errorf("no such port: %w", drivers.ErrGone)
	}
	if b.stuck {
		b.mu.Unlock()
		<-ctx.Done()
		b.mu.Lock()
		return nil, fmt.Errorf("opening: %w", ctx.Err())
	}
	b.opened++
	return benchSupply{b}, nil
}

func (b *bench) set(change func()) {
	b.mu.Lock()
	defer b.mu.Unlock()
	change()
}

func (b *bench) sent() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return append([]string(nil), b.commands...)
}

// benchSupply is an open port of the bench.
type benchSupply struct{ b *bench }

// exchange takes the few milliseconds that a question takes on a wire.
func (s benchSupply) exchange(ctx context.Context) error {
	s.b.mu.Lock()
	gone, stuck, slow := s.b.gone, s.b.stuck, s.b.slow
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
	s.b.polls++
	taken := s.b.taken
	s.b.mu.Unlock()
	if taken != "" {
		return drivers.Reading{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "poll", Shared: &drivers.Shared{By: taken}}
	}
	r, err := s.b.i.Observe(1, s.b.clock.Now())
	if s.b.mute {
		r.Output = drivers.OutputUnknown
	}
	return r, err
}

func (s benchSupply) Identify(ctx context.Context) (drivers.Identity, error) {
	if err := s.exchange(ctx); err != nil {
		return drivers.Identity{}, err
	}
	return s.b.i.IdentityAt(s.b.clock.Now())
}

func (s benchSupply) Status(ctx context.Context) (drivers.Status, error) {
	if err := s.exchange(ctx); err != nil {
		return drivers.Status{}, err
	}
	s.b.mu.Lock()
	blind := s.b.blind
	s.b.mu.Unlock()
	if blind {
		return drivers.Status{}, &drivers.Refusal{Reason: drivers.NoReply, Query: "status"}
	}
	st, err := s.b.i.ObserveStatus(1, s.b.clock.Now())
	if s.b.mute {
		st.Output = drivers.OutputUnknown
	}
	return st, err
}

func (s benchSupply) command(ctx context.Context, text string) error {
	if err := s.exchange(ctx); err != nil {
		return err
	}
	s.b.mu.Lock()
	s.b.commands = append(s.b.commands, text)
	deaf := s.b.deaf || s.b.ignore > 0
	s.b.ignore--
	s.b.mu.Unlock()
	if s.b.onCommand != nil {
		s.b.onCommand()
	}
	if !deaf {
		s.b.i.Handle([]byte(text + "\n"))
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

// zincCell is the watch over the zinc cell on a bench. cellLines and rest complete
// the configuration; target is the line of the target's table.
func zincCell(t testing.TB, b *bench, dir, cellLines, target, rest string) *Cell {
	t.Helper()
	text := fmt.Sprintf(zincConfig, dir, filepath.Join(dir, "s"), cellLines, target, rest)
	cfg, err := configs.Parse("test.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	s, err := settingsOf(cfg, &cfg.Cells[0], nil, b.clock, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	s.Open = b.open
	return NewCell(s, b.clock)
}

// nightScenario begins with the output off and switches it on after five minutes.
const nightScenario = `
name = "night"
[supply]
output = "off"
[[event]]
at = "5 min"
kind = "panel"
output = "on"
`

// liveScenario begins with the output on.
const liveScenario = `
name = "live"
[supply]
output = "on"
`

// start runs the watch until the returned stop is called; stop returns Run's error.
func start(t *testing.T, c *Cell) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- c.Run(ctx) }()
	return func() error {
		cancel()
		return <-done
	}
}

// until advances virtual time by steps until ok, and fails after limit.
func until(t *testing.T, limit time.Duration, what string, ok func() bool) {
	t.Helper()
	for began := time.Now(); ; {
		<-time.After(time.Second)
		if ok() {
			return
		}
		if time.Since(began) > limit {
			t.Fatalf("not within %v: %s", limit, what)
		}
	}
}

// agrees says whether the truth lies within the expanded uncertainty of the counted charge.
func agrees(s *snapshot.Cell, truth float64) error {
	if off := math.Abs(s.Charge.CountedCoulombs - truth); off > 2*s.Charge.UncertaintyCoulombs {
		return fmt.Errorf("counted %.3f C, truly %.3f C: off by %.3f C, more than 2 u = %.3f C",
			s.Charge.CountedCoulombs, truth, off, 2*s.Charge.UncertaintyCoulombs)
	}
	return nil
}

// eachRecord reads the log of a run from its beginning.
func eachRecord(t *testing.T, run string, do func(*runlog.Record)) {
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

// standing returns the alarm of a condition in a snapshot.
func standing(s *snapshot.Cell, c alerts.Condition) (snapshot.Alarm, bool) {
	for _, a := range s.Alarms {
		if a.Condition == c.String() {
			return a, true
		}
	}
	return snapshot.Alarm{}, false
}
