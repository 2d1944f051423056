package daemon

import (
	"context"
	"sort"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

// These carry out an operator's requests on the cell's own goroutine, between two polls.

// onAlarm lets do act on one alarm and writes down what came of it.
func (c *Cell) onAlarm(ctx context.Context, condition string, do func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error)) error {
	cond, err := alerts.ParseCondition(condition)
	if err != nil {
		return control.BadRequest("%v", err)
	}
	return c.ask(ctx, func(context.Context) error {
		if c.run == nil && c.left != nil {
			return control.Refuse("the run of cell %s has ended; what stands of it, %s, can be acknowledged and nothing else", c.set.Cell, alerts.OutputOff)
		}
		if c.run == nil {
			return control.Refuse("cell %s has no open run, so nothing is watched and there is no alarm", c.set.Cell)
		}
		r := c.run
		change, err := do(r.alarms, cond, r.time.stamp(r.time.now()))
		if err != nil {
			return control.Refuse("%v", err)
		}
		r.follow(c, []alerts.Change{change})
		return nil
	})
}

// switchOffFor is an operator's wish; the configuration must allow it.
func (c *Cell) switchOffFor(ctx context.Context, by string) error {
	return c.ask(ctx, func(context.Context) error {
		if !c.set.May.Off {
			return control.Refuse(`switching cell %s off: %w; add "off" to may, or use the supply's own switch`, c.set.Cell, errNotAllowed)
		}
		if c.run == nil { // nothing is counted, and it goes off all the same
			err := c.link.switchOff(context.WithoutCancel(ctx), c.m.now, c.dead)
			if err != nil {
				c.set.Log.Error("the output may still be on: it could not be verified off", "cell", c.set.Cell, "by", by, "err", err)
				return err
			}
			c.set.Log.Info("output switched off while no run was open", "cell", c.set.Cell, "by", by)
			return nil
		}
		c.run.byHand = true
		return c.doOff(context.WithoutCancel(ctx), "asked for by "+by)
	})
}

// holdFor lowers the current on an operator's wish; the configuration must allow it. It returns the hold current.
func (c *Cell) holdFor(ctx context.Context, by string) (drivers.Amperes, error) {
	return answer(ctx, c, func(context.Context) (drivers.Amperes, error) {
		if !c.set.May.Hold {
			return 0, control.Refuse(`lowering the current of cell %s: %w; add "hold" to may and state hold_current`, c.set.Cell, errNotAllowed)
		}
		if c.run == nil {
			return 0, control.Refuse("cell %s has no open run", c.set.Cell)
		}
		return c.set.HoldAmperes, c.doHold(context.WithoutCancel(ctx), "asked for by "+by)
	})
}

func sortedNames[V any](m map[string]V) []string {
	names := make([]string, 0, len(m))
	for n := range m {
		names = append(names, n)
	}
	sort.Strings(names)
	return names
}
