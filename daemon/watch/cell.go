// Package watch keeps the watch over one cell: a loop asks the supply, hands what it says to the run, publishes
// the snapshot and uses the hands. It is the only place with a port and a context; what is counted, logged and
// judged is the run's, and whatever takes long (dashboards, notices, pages, pushes) reads the snapshot or the log.
package watch

import (
	"context"
	"errors"
	"fmt"
	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/run"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"sync/atomic"
	"time"
)

// Cell keeps the watch over one cell. Everything but Latest and the operator's
// requests belongs to the goroutine that runs Run.
type Cell struct {
	settings Settings
	m        Machine
	asks     chan request
	shown    snapshot.Board

	// These may be read by any goroutine.
	every  time.Duration          // between two polls; never changed
	turned atomic.Int64           // when the loop came round last, ns on the clock
	barred atomic.Bool            // the output is live and no run can begin
	orders atomic.Pointer[Orders] // that the loop has yet to take
	gone   chan struct{}          // closed when the loop takes no more requests

	link    link
	meters  []*meter
	reading drivers.Reading // the newest good one
	late    time.Duration   // of the newest poll against its schedule
	good    uint64
	bad     uint64
	refused map[drivers.Reason]uint64 // another with each refusal: snapshots share it
	// statusDue is when the supply is asked next for set-points, protection and errors, on the clock of the readings.
	statusDue time.Duration

	run      *run.Run // nil while none is open
	past     run.Past // what the runs before left
	pickedUp bool     // it was looked for an open run
	live     bool     // the output was live when the watch was stopped
	waiting  waiting  // for a run to begin
	next     snapshot.Cell
	known    run.Facts // as they were told last
}

// New returns the watch over one cell; nothing is opened yet.
func New(s Settings, m Machine) *Cell {
	s.Speed = m.clock.Speed()
	if s.Plan != nil {
		s.BathAtBegin = s.Plan.Model.State()
	}
	c := &Cell{
		settings: s, m: m, asks: make(chan request), every: s.Poll, gone: make(chan struct{}), refused: make(map[drivers.Reason]uint64),
		link:    link{open: s.Open, expected: s.Identity, patience: s.Patience, mostVolts: s.MostVolts, mostAmperes: s.MostAmperes},
		waiting: waiting{atRest: s.Count.ZeroAmperes}, next: run.Blank(&s.Settings),
	}
	for _, m := range s.Instruments {
		c.meters = append(c.meters, &meter{Instrument: m, told: make(chan measured, mostTold)})
	}
	c.turned.Store(int64(m.clock.Now())) // it is overdue from now on
	c.link.may = func() alerts.Permission { return c.settings.May }
	c.link.noted = func(r *drivers.Refusal) { c.countRefusal(r) }
	return c
}

// Name returns the cell's name in the configuration.
func (c *Cell) Name() string { return c.settings.Cell }

// Supply returns the name of its supply in the configuration.
func (c *Cell) Supply() string { return c.settings.Supply }

// Latest returns a copy of the newest snapshot, or nil before the first.
func (c *Cell) Latest() *snapshot.Cell { return c.shown.Latest() }

// Follow shows what the watch before over the same cell has shown, until the first round of c.
func (c *Cell) Follow(before *Cell) {
	if s := before.Latest(); s != nil {
		c.shown.Publish(s)
	}
}

// Every is the time between two polls.
func (c *Cell) Every() time.Duration { return c.every }

// Turned is when the loop came round last, on the clock of the readings. Any goroutine may ask.
func (c *Cell) Turned() time.Duration { return time.Duration(c.turned.Load()) }

// Live says that the output was live when the watch was stopped, which people are to hear. It may be asked once Run has returned.
func (c *Cell) Live() bool { return c.live }

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

// ErrRelieved, as the cause of the end of Run's context, hands the cell over to another watch: the supply is left as it is, and the run open.
var ErrRelieved = errors.New("another watch over the cell takes over")

// Gone is closed once Run has returned: supply and log are free then.
func (c *Cell) Gone() <-chan struct{} { return c.gone }

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
	if c.run == nil && c.settings.learned {
		c.settings.learn()
		c.settings.fill(c.m.UTC())
		c.next = run.Blank(&c.settings.Settings)
	}
	defer c.startMeters(ctx)()
	alarm := c.m.alarm()
	defer alarm.stop()
	alarm.set(0)
	due := c.m.now()
	for {
		select { // ends with ctx; the alarm always comes, and asks only when somebody asks
		case <-ctx.Done():
			return c.stop(context.Cause(ctx))
		case a := <-c.asks:
			a.do(ctx)
			if c.run != nil {
				c.run.Reckon()
			}
			c.publish() // before the answer, so that who has it sees what came of it
			close(a.done)
			continue
		case <-alarm.due:
		}
		c.late = c.m.now() - due
		c.round(ctx)
		due += c.settings.Poll
		if now := c.m.now(); due < now-c.settings.Poll { // too far behind to catch up: keep the grid
			due += (now - due) / c.settings.Poll * c.settings.Poll
		}
		alarm.set(c.m.clock.Real(due - c.m.now()))
	}
}

// facts are what is known at this moment besides the readings, until they are asked for again.
func (c *Cell) facts() *run.Facts {
	c.known.Moment = c.m.moment()
	c.link.tell(&c.known.Supply, c.known.Mono)
	c.known.MeterProblems = c.meterProblems(c.known.MeterProblems[:0])
	return &c.known
}

// stop ends the watch: what happens to a live output is the operator's choice, the
// log is synced, the port given back.
func (c *Cell) stop(why error) error {
	ctx, cancel := context.WithTimeout(context.Background(), handsAttempts*(c.link.handsTime()+max(openTimeout, c.link.patience)))
	defer cancel()
	var err error
	relieved := errors.Is(why, ErrRelieved)
	switch {
	case relieved:
	case c.run != nil:
		err = c.partWith(ctx)
	case c.Barred():
		c.partUnwatched()
	}
	err = errors.Join(err, c.GiveUp())
	if closed := c.link.close(); closed != nil {
		c.settings.Log.Warn("closing the line to the supply", "cell", c.settings.Cell, "err", closed)
	}
	if err != nil && relieved { // the others are watched on
		c.settings.Log.Error("what was left at the hand-over may not be complete", "cell", c.settings.Cell, "err", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("cell %s: %w", c.settings.Cell, err)
	}
	return nil
}

// request is an operator's, carried out between two polls.
type request struct {
	do   func(ctx context.Context)
	done chan struct{} // closed when the snapshot shows what came of it
}

// answer hands do to the cell's goroutine and waits for what it returns, or for ctx. After an error do
// may still be under way, so it must not write to what its caller reads then. The answer is the zero T when the loop did not come to it in time.
func answer[T any](ctx context.Context, c *Cell, do func(context.Context) (T, error)) (none T, _ error) {
	var got T
	var err error
	a := request{done: make(chan struct{})}
	a.do = func(ctx context.Context) { got, err = do(ctx) }
	select { // ends when the loop takes the request, which it does between polls, with the loop, or with ctx
	case c.asks <- a:
	case <-c.gone:
		return none, control.Refuse("monitoring of cell %s has ended", c.settings.Cell)
	case <-ctx.Done():
		return none, fmt.Errorf("cell %s did not accept the request in time: %w", c.settings.Cell, ctx.Err())
	}
	select { // ends when the loop is through with it, or with ctx
	case <-a.done:
		return got, err
	case <-ctx.Done():
		return none, fmt.Errorf("cell %s is still busy with the request: %w", c.settings.Cell, ctx.Err())
	}
}

// ask is answer for a request that has none.
func (c *Cell) ask(ctx context.Context, do func(context.Context) error) error {
	_, err := answer(ctx, c, func(ctx context.Context) (struct{}, error) { return struct{}{}, do(ctx) })
	return err
}

// Machine is where the watch reads the time; tests put their own in its place.
type Machine struct {
	clock drivers.Clock
	now   func() time.Duration // monotonic, stops in suspend
	UTC   func() time.Time     // wall clock, may step
	// Boot names this boot and says how long ago it was, suspend included.
	Boot  func() (id string, since time.Duration, ok bool)
	alarm func() alarm
}

// MachineOf is the machine that a clock runs on.
func MachineOf(c drivers.Clock) Machine {
	return Machine{clock: c, now: c.Now, UTC: c.UTC, Boot: bootClock(), alarm: timerAlarm}
}

// Sparing has the kernel wake each cell for its polls and not the runtime, which costs less as long as the cells are few. It is not
// for tests in virtual time.
func (m Machine) Sparing() Machine {
	m.alarm = kernelAlarm
	return m
}

// alarm comes once, so long after it was set.
type alarm struct {
	due  <-chan time.Time
	set  func(time.Duration)
	stop func()
}

func timerAlarm() alarm {
	t := time.NewTimer(time.Hour)
	return alarm{due: t.C, set: func(d time.Duration) { t.Reset(d) }, stop: func() { t.Stop() }}
}

// moment reads all clocks.
func (m *Machine) moment() run.Moment {
	at := run.Moment{Mono: m.now(), UTC: m.UTC()}
	if id, since, ok := m.Boot(); ok {
		at.Boot, at.SinceBoot = id, since
	}
	return at
}
