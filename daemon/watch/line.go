package watch

import (
	"context"
	"errors"
	"fmt"

	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

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
		c.settings.Log.Warn("supply had an error waiting", "cell", c.settings.Cell, "error", e)
	}
	if c.run != nil {
		c.run.Attached(c.facts())
	}
}

// refuse counts a poll that brought no reading and drops the line if it is gone.
func (c *Cell) refuse(err error) {
	c.bad++
	c.countRefusal(err)
	if gone(err) {
		c.settings.Log.Warn("line to the supply lost", "cell", c.settings.Cell, "supply", c.settings.Supply, "err", err)
		c.link.drop(c.m.now(), err)
		return
	}
	c.settings.Log.Debug("answer refused", "cell", c.settings.Cell, "err", err)
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
	c.refused[r.Reason]++
	counts := make([]snapshot.Count, 0, len(c.refused))
	for _, reason := range drivers.Reasons() {
		if n := c.refused[reason]; n > 0 {
			counts = append(counts, snapshot.Count{Label: string(reason), N: n})
		}
	}
	c.counts = counts
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
		return fmt.Errorf("asking the supply for its state: %w", err)
	}
	c.link.keepStatus(st)
	c.statusDue = c.m.now() + max(statusEvery, 10*c.settings.Poll)
	for _, e := range st.Errors {
		c.settings.Log.Warn("supply reports an error", "cell", c.settings.Cell, "error", e)
	}
	return nil
}
