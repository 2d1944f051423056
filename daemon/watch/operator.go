package watch

import (
	"context"
	"errors"
	"fmt"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/daemon/run"
	"nightcell/drivers"
)

// These carry out an operator's requests on the cell's own goroutine, between two polls.

// errNotAllowed is the answer to a wish that the configuration does not allow.
var errNotAllowed = errors.New("the configuration does not permit it")

// alarmActs are what an order may do to an alarm.
var alarmActs = map[control.AlarmAct]func(*alerts.Board, alerts.Condition, control.AlarmOrder, time.Time) (alerts.Change, error){
	control.Acknowledge:     by((*alerts.Board).Acknowledge),
	control.Unshelve:        by((*alerts.Board).Unshelve),
	control.Reset:           by((*alerts.Board).Reset),
	control.ReturnToService: by((*alerts.Board).ReturnToService),
	control.Shelve: func(b *alerts.Board, c alerts.Condition, o control.AlarmOrder, utc time.Time) (alerts.Change, error) {
		return b.Shelve(c, o.By, o.Reason, time.Duration(o.Seconds*float64(time.Second)), utc)
	},
	control.OutOfService: func(b *alerts.Board, c alerts.Condition, o control.AlarmOrder, utc time.Time) (alerts.Change, error) {
		return b.OutOfService(c, o.By, o.Reason, utc)
	},
}

// by is an act that needs to know who does it, and nothing else.
func by(do func(*alerts.Board, alerts.Condition, string, time.Time) (alerts.Change, error)) func(*alerts.Board, alerts.Condition, control.AlarmOrder, time.Time) (alerts.Change, error) {
	return func(b *alerts.Board, c alerts.Condition, o control.AlarmOrder, utc time.Time) (alerts.Change, error) {
		return do(b, c, o.By, utc)
	}
}

// ChangeAlarm lets an order change one alarm, or acknowledge what a run that ended before its target left to be done, and
// writes down what came of it.
func (c *Cell) ChangeAlarm(ctx context.Context, o control.AlarmOrder) error {
	cond, err := alerts.ParseCondition(o.Condition)
	act, known := alarmActs[o.Act]
	if err == nil && !known {
		err = fmt.Errorf("%q is nothing that can be done to an alarm", o.Act)
	}
	if err != nil {
		return control.BadRequest("%v", err)
	}
	return c.ask(ctx, func(context.Context) error {
		switch {
		case c.run != nil:
			return c.run.ChangeAlarm(c.facts(), func(b *alerts.Board, utc time.Time) (alerts.Change, error) { return act(b, cond, o, utc) })
		case c.past.Alarms() == nil:
			return control.Refuse("cell %s has no open run, so it has no alarms", c.settings.Cell)
		case o.Act != control.Acknowledge || cond != alerts.OutputOff:
			return control.Refuse("the run of cell %s has ended; its alarm %s can only be acknowledged", c.settings.Cell, alerts.OutputOff)
		}
		return c.past.Acknowledge(&c.settings.Settings, c.m.UTC(), o.By)
	})
}

// Enter writes what a person saw or did into the run.
func (c *Cell) Enter(ctx context.Context, e control.Entry) (control.Entered, error) {
	return answer(ctx, c, func(context.Context) (control.Entered, error) {
		if c.run == nil {
			return control.Entered{}, control.Refuse("cell %s has no open run", c.settings.Cell)
		}
		done, err := c.run.Enter(c.facts(), e)
		c.ended()
		return done, err
	})
}

// Settle replaces what is booked for a gap by what the operator knows, and returns it.
func (c *Cell) Settle(ctx context.Context, s control.Settlement) (control.Settlement, error) {
	return answer(ctx, c, func(context.Context) (control.Settlement, error) {
		if c.run == nil {
			return s, control.Refuse("cell %s has no open run", c.settings.Cell)
		}
		return c.run.Settle(c.facts(), s, time.Local)
	})
}

// SwitchOff switches off on an operator's wish; the configuration must allow it.
func (c *Cell) SwitchOff(ctx context.Context, by string) error {
	return c.ask(ctx, func(ctx context.Context) error {
		ctx = context.WithoutCancel(ctx)
		if !c.settings.May.Off {
			return control.Refuse(`switching cell %s off: %w; add "off" to may, or use the supply's own switch`, c.settings.Cell, errNotAllowed)
		}
		if c.run != nil {
			c.run.ByHand()
			return c.switchOff(ctx, run.Order{Do: alerts.Off, Why: "requested by " + by})
		}
		if _, err := c.commandOff(ctx); err != nil { // nothing is counted, and it goes off all the same
			c.settings.Log.Error("the output may still be on: it could not be verified off", "cell", c.settings.Cell, "by", by, "err", err)
			return err
		}
		c.settings.Log.Info("output switched off while no run was open", "cell", c.settings.Cell, "by", by)
		return nil
	})
}

// Hold lowers the current on an operator's wish; the configuration must allow it. It returns the hold current.
func (c *Cell) Hold(ctx context.Context, by string) (drivers.Amperes, error) {
	return answer(ctx, c, func(ctx context.Context) (drivers.Amperes, error) {
		if !c.settings.May.Hold {
			return 0, control.Refuse(`lowering the current of cell %s: %w; add "hold" to may and set hold_current`, c.settings.Cell, errNotAllowed)
		}
		if c.run == nil {
			return 0, control.Refuse("cell %s has no open run", c.settings.Cell)
		}
		return c.settings.HoldAmperes, c.hold(context.WithoutCancel(ctx), run.Order{Do: alerts.Hold, Why: "requested by " + by})
	})
}

// Clear clears the cell for a run that nobody attends, if the checks made outside, the supply and the run agree.
func (c *Cell) Clear(ctx context.Context, b control.BeginOrder, outside []control.Check) ([]control.Check, error) {
	found, err := answer(ctx, c, func(ctx context.Context) ([]control.Check, error) {
		switch {
		case c.run != nil:
			unasked := c.refreshStatus(ctx)
			return c.run.Clear(c.facts(), b, outside, unasked)
		case c.barred.Load():
			return outside, control.Refuse("cell %s: current flows, but no run can start, so nothing is counted or monitored: %s", c.settings.Cell, c.waiting.noRun)
		case c.link.up() && c.reading.Output == drivers.OutputOn:
			return outside, control.Refuse("cell %s has no open run: the output is on, but no current flows (%.3g A at %.3g V); look at leads and clips, and a run started with the first current",
				c.settings.Cell, float64(c.reading.Amperes), float64(c.reading.Volts))
		}
		return outside, control.Refuse("cell %s has no open run: set the supply and switch its output on by hand first; nightcell never does", c.settings.Cell)
	})
	if found == nil { // the cell did not come to it
		found = outside
	}
	return found, err
}
