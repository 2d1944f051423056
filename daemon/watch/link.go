package watch

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"nightcell/alerts"
	"nightcell/daemon/run"
	"nightcell/drivers"
	"time"
)

// errNoLine says that nobody can be asked.
var errNoLine = errors.New("no connection to the supply")

// Noted is told, by the goroutine that asks, of each refusal that a driver made good by
// itself and therefore does not return.
type Noted func(*drivers.Refusal)

// Opener opens one channel of a supply by its stable name and changes nothing on it.
type Opener func(ctx context.Context, noted Noted) (drivers.Supply, error)

const (
	openTimeout  = 5 * time.Second // of the machine's own time, for opening and asking who is there, unless Settings.Patience is longer
	firstBackOff = time.Second     // run time before the second attempt to reopen
	longBackOff  = 30 * time.Second
	sharedFor    = 30 * time.Second // that another process which has the port counts as there after an answer was missed
)

// link is one cell's line to its supply: it opens, checks who answers, and waits
// longer after each failure. Only the cell's loop touches it.
type link struct {
	open  Opener
	noted Noted
	may   func() alerts.Permission // in force
	// mostVolts and mostAmperes are what the supply can put out; 0 or NaN: not stated.
	mostVolts   drivers.Volts
	mostAmperes drivers.Amperes
	patience    time.Duration // Settings.Patience
	greeting    time.Duration // machine time that the newest greeting took, which tells how quick this supply is
	expected    string        // *IDN? must begin with this; when empty the first answer is expected from then on
	supply      drivers.Supply
	run.Supply                  // what was found out about it
	proof       drivers.Reading // that verified the newest act
	retryAt     time.Duration
	backOff     time.Duration
	problem     string
	shared      *drivers.Shared // who else had the port open when answers were missed last
	sharedAt    time.Duration   // when that was, on the clock of the readings
}

// up says whether there is a line to ask on.
func (l *link) up() bool { return l.supply != nil }

// attach opens the line and learns who answers and how it is set, changing nothing.
func (l *link) attach(ctx context.Context, now time.Duration) error {
	limit := max(openTimeout, l.patience)
	timed, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	begun := time.Now()
	s, err := l.open(timed, l.noted)
	if err == nil {
		err = l.greet(timed, s)
		if err != nil {
			_ = s.Close() // the first error is the one that tells; nothing was written that Close could lose
		}
	}
	if err != nil {
		if ctx.Err() == nil && errors.Is(err, context.DeadlineExceeded) {
			err = fmt.Errorf("the first queries took longer than %v; remove from the dialect what the supply does not support, or lengthen its timeout: %w", limit, err)
		}
		l.fail(now, err)
		return err
	}
	l.greeting = time.Since(begun)
	l.supply, l.Since, l.problem, l.backOff = s, now, "", 0
	l.Opened++
	l.Silences = 0 // what the first questions met is a matter of the dialect
	return nil
}

// handsTime is how long, of the machine's own time, one command with its read-back may take: a
// read-back asks about as much as the greeting did, and may have to be done again.
func (l *link) handsTime() time.Duration { return max(handsTimeout, 3*l.greeting) }

// greet asks a freshly opened supply for its identity and state.
func (l *link) greet(ctx context.Context, s drivers.Supply) error {
	id, err := s.Identify(ctx)
	if err != nil {
		return fmt.Errorf("querying the identity: %w", err)
	}
	if err := id.Expect(l.expected); err != nil {
		return fmt.Errorf("%w: %w", err, &drivers.Refusal{Reason: drivers.Misidentified, Query: "*IDN?", Answer: id.String()})
	}
	st, err := s.Status(ctx)
	if err != nil {
		return fmt.Errorf("querying output state and set-points: %w", err)
	}
	l.Swapped = l.Swapped || l.Identity != (drivers.Identity{}) && l.Identity != id
	l.Identity = id
	l.keepStatus(st)
	if l.expected == "" {
		l.expected = id.String()
	}
	return nil
}

// keepStatus takes over what the supply says of itself. A set-point beyond what it can put out
// is a garbled answer and counts as not told.
func (l *link) keepStatus(st drivers.Status) {
	if l.mostAmperes > 0 && st.SetAmperes > 1.05*l.mostAmperes {
		st.SetAmperes = drivers.Amperes(math.NaN())
	}
	if l.mostVolts > 0 && st.SetVolts > 1.05*l.mostVolts {
		st.SetVolts = drivers.Volts(math.NaN())
	}
	l.Status = st
}

// fail notes why there is no line and when to try again.
func (l *link) fail(now time.Duration, err error) {
	l.backOff = min(max(2*l.backOff, firstBackOff), longBackOff)
	l.retryAt = now + l.backOff
	l.problem = err.Error()
}

// drop closes the line after an error that says it is gone.
func (l *link) drop(now time.Duration, err error) {
	if l.supply == nil {
		return
	}
	_ = l.supply.Close() // it is gone already; Close only gives the descriptor back
	l.supply = nil
	l.Since = now
	l.backOff = 0
	l.fail(now, err)
}

// close gives the port back at the end.
func (l *link) close() error {
	if l.supply == nil {
		return nil
	}
	s := l.supply
	l.supply = nil
	if err := s.Close(); err != nil {
		return fmt.Errorf("closing the line to the supply: %w", err)
	}
	return nil
}

// recall takes over who answered a process before.
func (l *link) recall(id drivers.Identity) {
	l.Identity = id
	if l.expected == "" {
		l.expected = l.Known()
	}
}

// tell fills in what is known of the supply now.
func (l *link) tell(s *run.Supply, now time.Duration) {
	*s = l.Supply
	s.Up = l.up()
	if l.shared != nil && now-l.sharedAt <= sharedFor {
		s.SharedBy = l.shared.By
	}
}

// reattach opens the line again and says so once each way.
func (c *Cell) reattach(ctx context.Context) {
	before := c.link.problem
	if err := c.link.attach(ctx, c.m.now()); err != nil {
		if c.link.problem != before {
			c.settings.Log.Warn("supply does not answer", "cell", c.settings.Cell, "supply", c.settings.Supply, "err", err)
		}
		c.countRefusal(err)
		return
	}
	c.statusDue = c.m.now() + max(statusEvery, 10*c.settings.Poll)
	c.settings.Log.Info("supply answers", "cell", c.settings.Cell, "supply", c.settings.Supply, "identity", c.link.Identity.String())
	for _, e := range c.link.Status.Errors {
		c.settings.Log.Warn("supply had an error queued", "cell", c.settings.Cell, "error", e)
	}
	if c.run != nil {
		c.run.Attached(c.facts())
	}
}

// refuse counts a poll that brought no reading and drops the line if it is gone.
func (c *Cell) refuse(err error) {
	c.bad++
	c.countRefusal(err)
	if errors.Is(err, drivers.ErrGone) {
		c.settings.Log.Warn("connection to the supply lost", "cell", c.settings.Cell, "supply", c.settings.Supply, "err", err)
		c.link.drop(c.m.now(), err)
		return
	}
	c.settings.Log.Debug("answer rejected", "cell", c.settings.Cell, "err", err)
}

func (c *Cell) countRefusal(err error) {
	if shared := new(drivers.Shared); errors.As(err, &shared) {
		if c.link.shared == nil || *c.link.shared != *shared {
			c.settings.Log.Warn("another process has the supply's port open", "cell", c.settings.Cell, "supply", c.settings.Supply, "who", shared.By)
		}
		c.link.shared, c.link.sharedAt = shared, c.m.now()
	}
	var r *drivers.Refusal
	if !errors.As(err, &r) {
		return
	}
	if r.Reason == drivers.NoReply && r.Answer == "" {
		c.link.Silences++
	}
	c.refused = maps.Clone(c.refused)
	c.refused[r.Reason]++
}

// refreshStatus asks for set-points, protection and errors. After an error, which
// has been counted, the status is the one before.
func (c *Cell) refreshStatus(ctx context.Context) error {
	if !c.link.up() {
		return errNoLine
	}
	c.statusDue = c.m.now() + 5*c.settings.Poll // should it fail
	st, err := c.link.supply.Status(ctx)
	if err != nil {
		if ctx.Err() == nil {
			c.refuse(err)
		}
		return fmt.Errorf("querying the supply's state: %w", err)
	}
	c.link.keepStatus(st)
	c.statusDue = c.m.now() + max(statusEvery, 10*c.settings.Poll)
	for _, e := range st.Errors {
		c.settings.Log.Warn("supply reports an error", "cell", c.settings.Cell, "error", e)
	}
	return nil
}
