package watch

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"nightcell/daemon/run"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

// Cell keeps the watch over one cell. Everything but Latest and the operator's
// requests belongs to the goroutine that runs Run.
type Cell struct {
	settings Settings
	m        Machine
	asks     chan ask
	shown    snapshot.Board

	// These may be read by any goroutine.
	every  time.Duration          // between two polls; never changed
	turned atomic.Int64           // when the loop came round last, ns on the clock
	barred atomic.Bool            // the output is live and no run can begin
	orders atomic.Pointer[Orders] // that the loop has yet to take
	gone   chan struct{}          // closed when the loop takes no more requests

	link    link
	reading drivers.Reading // the newest good one
	late    time.Duration   // of the newest poll against its schedule
	good    uint64
	bad     uint64
	refused map[drivers.Reason]uint64
	counts  []snapshot.Count // refused, in a fixed order; rebuilt when it changes
	// statusDue is when the supply is asked next for set-points, protection and errors, on the clock of the readings.
	statusDue time.Duration

	run      *run.Run // nil while none is open
	past     run.Past // what the runs before left
	pickedUp bool     // it was looked for an open run
	waiting  waiting  // for a run to begin
	next     snapshot.Cell
}

// New returns the watch over one cell; nothing is opened yet.
func New(s Settings, m Machine) *Cell {
	s.Speed = m.clock.Speed()
	if s.Plan != nil {
		s.BathAtBegin = s.Plan.Model.State()
	}
	c := &Cell{
		settings: s, m: m, asks: make(chan ask), every: s.Poll, gone: make(chan struct{}), refused: make(map[drivers.Reason]uint64),
		link:    link{open: s.Open, expected: s.Identity, patience: s.Patience, mostVolts: s.MostVolts, mostAmperes: s.MostAmperes},
		waiting: waiting{atRest: s.Count.ZeroAmperes}, next: run.Blank(&s.Settings),
	}
	c.link.noted = func(r *drivers.Refusal) { c.countRefusal(r) }
	return c
}

// Name returns the cell's name in the configuration.
func (c *Cell) Name() string { return c.settings.Cell }

// Supply returns the name of its supply in the configuration.
func (c *Cell) Supply() string { return c.settings.Supply }

// Latest returns a copy of the newest snapshot, or nil before the first.
func (c *Cell) Latest() *snapshot.Cell { return c.shown.Latest() }

// Every is the time between two polls.
func (c *Cell) Every() time.Duration { return c.every }

// Turned is when the loop came round last, on the clock of the readings. Any goroutine may ask.
func (c *Cell) Turned() time.Duration { return time.Duration(c.turned.Load()) }

// Barred says that the output is live and no run can begin. Any goroutine may ask.
func (c *Cell) Barred() bool { return c.barred.Load() }

// PickUp continues the cell's open run, if it has one, at its first call. The dark time
// becomes a gap with the first reading.
func (c *Cell) PickUp() error {
	if c.pickedUp {
		return nil
	}
	c.pickedUp = true
	r, err := run.Resume(&c.settings.Settings, c.facts(), &c.past)
	if r != nil {
		c.run = r
		c.link.recall(r.Identity())
	}
	return err
}

// GiveUp closes what PickUp opened, where Run is not to be called.
func (c *Cell) GiveUp() error {
	var err error
	if c.run != nil {
		err = c.run.Close(c.facts())
	}
	return errors.Join(err, c.past.Close())
}

// Run keeps the watch until ctx ends. An open run is continued, or else one begins
// with the first reading of a live output. The error says what of the run could not
// be made durable; a supply that does not answer is an alarm and never an error.
func (c *Cell) Run(ctx context.Context) error {
	defer close(c.gone)
	if err := c.PickUp(); err != nil {
		return err
	}
	timer := time.NewTimer(0)
	defer timer.Stop()
	due := c.m.now()
	for {
		select { // ends with ctx; the timer always comes, and asks only when somebody asks
		case <-ctx.Done():
			return c.stop()
		case a := <-c.asks:
			err := a.do(ctx)
			if c.run != nil {
				c.run.Reckon()
			}
			c.publish() // before the answer, so that who has it sees what came of it
			a.done <- err
			continue
		case <-timer.C:
		}
		c.late = c.m.now() - due
		c.round(ctx)
		due += c.settings.Poll
		if now := c.m.now(); due < now-c.settings.Poll { // too far behind to catch up: keep the grid
			due += (now - due) / c.settings.Poll * c.settings.Poll
		}
		timer.Reset(c.m.clock.Real(due - c.m.now()))
	}
}

// facts are what is known at this moment besides the readings.
func (c *Cell) facts() run.Facts {
	m := c.m.moment()
	return run.Facts{Moment: m, Supply: c.link.facts(m.Mono)}
}

// stop ends the watch: what happens to a live output is the operator's choice, the
// log is synced, the port given back.
func (c *Cell) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), handsAttempts*(c.link.handsTime()+max(openTimeout, c.link.patience)))
	defer cancel()
	var err error
	if c.run != nil {
		err = c.partWith(ctx)
	}
	err = errors.Join(err, c.GiveUp())
	if closed := c.link.close(); closed != nil {
		c.settings.Log.Warn("closing the line to the supply", "cell", c.settings.Cell, "err", closed)
	}
	if err != nil {
		return fmt.Errorf("cell %s: %w", c.settings.Cell, err)
	}
	return nil
}
