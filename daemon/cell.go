package daemon

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"nightcell/daemon/control"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// Cell keeps the watch over one cell. Everything but Latest and the operator's
// requests belongs to the goroutine that runs Run.
type Cell struct {
	set   Settings
	m     machine
	asks  chan ask
	shown snapshot.Board

	// These may be read by any goroutine.
	every  time.Duration          // between two polls; never changed
	turned atomic.Int64           // when the loop came round last, ns on the clock
	barred atomic.Bool            // the output is live and no run can begin
	orders atomic.Pointer[orders] // that the loop has yet to take
	gone   chan struct{}          // closed when the loop takes no more requests

	link    link
	zero    zeroTaker
	run     *run // nil while no run is open
	ended   string
	last    string // folder of the run before, when it has ended
	good    uint64
	bad     uint64
	refused map[drivers.Reason]uint64
	counts  []snapshot.Count // refused, in a fixed order; rebuilt when it changes
	reading drivers.Reading  // the newest good one
	readUTC time.Time
	from    drivers.Reading  // where a run that begins now would begin: the newest with the output off
	picked  bool             // it was looked for an open run
	atRest  float64          // A that the supply reports when none flows
	late    time.Duration    // of the newest poll against its schedule
	noRun   string           // why no run can begin, as it was said last
	alone   []snapshot.Alarm // likewise, for snapshots: no board judges; nil while nothing keeps a run from beginning
	// statusDue is when the supply is asked next for set-points, protection and errors, on the clock of the readings.
	statusDue time.Duration
	next      snapshot.Cell    // being filled in
	final     snapshot.Cell    // of the run that ended last
	left      *leftover        // what the run that ended last leaves to be done; nil once that is answered
	ending    []*runlog.Writer // logs of runs that ended, while the disk does not take the end of them

	checkpoints time.Duration // between two checkpoints
	plan        constants     // of set.Plan
	bathAtBegin bath.State    // of the plan's model, before any charge
}

// ask is an operator's request, carried out between two polls.
type ask struct {
	do   func(ctx context.Context) error
	done chan error
}

// NewCell returns the watch over one cell; nothing is opened yet.
func NewCell(s Settings, clock drivers.Clock) *Cell {
	c := &Cell{
		set: s, m: machineOf(clock), asks: make(chan ask), every: s.Poll, gone: make(chan struct{}),
		link:    link{open: s.Open, expected: s.Identity, patience: s.Patience, mostVolts: s.MostVolts, mostAmperes: s.MostAmperes},
		refused: make(map[drivers.Reason]uint64), checkpoints: checkpointEvery, atRest: s.Count.ZeroAmperes,
	}
	c.link.noted = func(r *drivers.Refusal) { c.countRefusal(r) }
	if s.Plan != nil {
		c.plan = constantsOf(s.Plan)
		c.bathAtBegin = s.Plan.Model.State()
	}
	c.blank(&c.next) // before any run: one may end with its first reading
	return c
}

// Name returns the cell's name in the configuration.
func (c *Cell) Name() string { return c.set.Cell }

// Latest returns a copy of the newest snapshot, or nil before the first.
func (c *Cell) Latest() *snapshot.Cell { return c.shown.Latest() }

// Run keeps the watch until ctx ends. An open run is continued, or else one begins
// with the first reading of a live output. The error says what of the run could not
// be made durable; a supply that does not answer is an alarm and never an error.
func (c *Cell) Run(ctx context.Context) error {
	defer close(c.gone)
	if err := c.pickUp(); err != nil {
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
				c.run.reckon(c)
			}
			c.publish() // before the answer, so that who has it sees what came of it
			a.done <- err
			continue
		case <-timer.C:
		}
		c.late = c.m.now() - due
		c.attend(ctx)
		due += c.set.Poll
		if now := c.m.now(); due < now-c.set.Poll { // too far behind to catch up: keep the grid
			due += (now - due) / c.set.Poll * c.set.Poll
		}
		timer.Reset(c.m.clock.Real(due - c.m.now()))
	}
}

// attend is one poll with all that follows from it.
func (c *Cell) attend(ctx context.Context) {
	c.takeOrders()
	if !c.link.up() && c.m.now() >= c.link.retryAt {
		c.reattach(ctx)
	}
	c.closeEnded()
	got := false
	if c.link.up() {
		r, err := c.link.supply.Poll(ctx)
		switch {
		case err == nil:
			c.reading, got = r, true
			c.good++
			c.set.Observe.Poll(r.Took.Seconds(), c.late.Seconds())
		case ctx.Err() != nil:
			return // stopping; the poll was cut short by us
		default:
			c.refuse(err)
		}
	}
	if c.run == nil {
		c.await(ctx, got)
	} else {
		c.carryOn(ctx, got)
	}
	c.publish()
}

// reattach opens the line again and says so once each way.
func (c *Cell) reattach(ctx context.Context) {
	before := c.link.problem
	if err := c.link.attach(ctx, c.m.now()); err != nil {
		if c.link.problem != before {
			c.set.Log.Warn("supply does not answer", "cell", c.set.Cell, "supply", c.set.Supply, "err", err)
		}
		c.countRefusal(err)
		return
	}
	c.statusDue = c.m.now() + max(statusEvery, 10*c.set.Poll)
	c.set.Log.Info("supply answers", "cell", c.set.Cell, "supply", c.set.Supply, "identity", c.link.identity.String())
	for _, e := range c.link.status.Errors {
		c.set.Log.Warn("supply had an error waiting", "cell", c.set.Cell, "error", e)
	}
	if c.run != nil {
		c.run.reattached(c)
	}
}

// refuse counts a poll that brought no reading and drops the line if it is gone.
func (c *Cell) refuse(err error) {
	c.bad++
	c.countRefusal(err)
	if gone(err) {
		c.set.Log.Warn("line to the supply lost", "cell", c.set.Cell, "supply", c.set.Supply, "err", err)
		c.link.drop(c.m.now(), err)
		return
	}
	c.set.Log.Debug("answer refused", "cell", c.set.Cell, "err", err)
}

func (c *Cell) countRefusal(err error) {
	if shared := new(drivers.Shared); errors.As(err, &shared) {
		if c.link.shared == nil || *c.link.shared != *shared {
			c.set.Log.Warn("another process has the supply's port open", "cell", c.set.Cell, "supply", c.set.Supply, "who", shared.By)
		}
		c.link.shared, c.link.sharedAt = shared, c.m.now()
	}
	var r *drivers.Refusal
	if !errors.As(err, &r) {
		return
	}
	if r.Reason == drivers.NoReply && r.Answer == "" {
		c.link.silences++
	}
	c.refused[r.Reason]++
	counts := make([]snapshot.Count, 0, len(c.refused))
	for _, reason := range drivers.Reasons() {
		if n := c.refused[reason]; n > 0 {
			counts = append(counts, snapshot.Count{Label: string(reason), N: n})
		}
	}
	c.counts = counts
}

// stop ends the watch: what happens to a live output is the operator's choice, the
// log is synced, the port given back.
func (c *Cell) stop() error {
	ctx, cancel := context.WithTimeout(context.Background(), handsAttempts*(c.link.handsTime()+max(openTimeout, c.link.patience)))
	defer cancel()
	var errs []error
	if c.run != nil {
		errs = append(errs, c.partWith(ctx))
		errs = append(errs, c.run.close(c))
	}
	if c.left != nil {
		errs = append(errs, c.left.log.Close())
	}
	for _, log := range c.ending {
		errs = append(errs, log.Close())
	}
	if err := c.link.close(); err != nil {
		c.set.Log.Warn("closing the line to the supply", "cell", c.set.Cell, "err", err)
	}
	if err := errors.Join(errs...); err != nil {
		return fmt.Errorf("cell %s: %w", c.set.Cell, err)
	}
	return nil
}

// ask hands do to the cell's goroutine and waits for it or for ctx. After an error do
// may still be under way, so it must not write to what its caller reads then; see answer.
func (c *Cell) ask(ctx context.Context, do func(context.Context) error) error {
	a := ask{do: do, done: make(chan error, 1)}
	select { // ends when the loop takes the request, which it does between polls, with the loop, or with ctx
	case c.asks <- a:
	case <-c.gone:
		return control.Refuse("the watch over cell %s has ended", c.set.Cell)
	case <-ctx.Done():
		return fmt.Errorf("cell %s did not take the request in time: %w", c.set.Cell, ctx.Err())
	}
	select { // ends when the loop is through with it, or with ctx
	case err := <-a.done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("cell %s is still busy with the request: %w", c.set.Cell, ctx.Err())
	}
}

// answer is ask for a request that has an answer. It is the zero T when the loop did not come to it in time.
func answer[T any](ctx context.Context, c *Cell, do func(context.Context) (T, error)) (T, error) {
	got := make(chan T, 1)
	err := c.ask(ctx, func(ctx context.Context) error {
		v, err := do(ctx)
		got <- v // has room for one
		return err
	})
	select {
	case v := <-got:
		return v, err
	default:
		var none T
		return none, err
	}
}
