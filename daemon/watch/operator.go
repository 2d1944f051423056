package watch

import (
	"context"
	"errors"
	"fmt"
	"math"
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
var alarmActs = map[control.AlarmAct]alerts.Event{
	control.Acknowledge: alerts.Acknowledge, control.Shelve: alerts.Shelve, control.Unshelve: alerts.Unshelve, control.Reset: alerts.Reset,
	control.OutOfService: alerts.TakeOut, control.ReturnToService: alerts.PutBack,
}

// ChangeAlarm lets an order change one alarm, or acknowledge what a run that ended before its target left to be done, and
// writes down what came of it.
func (c *Cell) ChangeAlarm(ctx context.Context, o control.AlarmOrder) error {
	cond, err := alerts.ParseCondition(o.Condition)
	act, known := alarmActs[o.Act]
	if err == nil && !known {
		err = fmt.Errorf("%q is not an action on an alarm", o.Act)
	}
	if err != nil {
		return control.BadRequest("%v", err)
	}
	return c.ask(ctx, func(context.Context) error {
		switch {
		case c.run != nil:
			return c.run.ChangeAlarm(c.facts(), cond, alerts.Order{Do: act, By: o.By, Reason: o.Reason, Length: time.Duration(o.Seconds * float64(time.Second))})
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

const (
	leastStep = 0.01 // share of the set-point: below it the volts hardly move
	mostStep  = 0.2
	stepPolls = 5 // readings averaged on each side
	// surfaceTime is left out after a step: the first moments belong to the electrodes' surface, not to the bath.
	surfaceTime = 2 * time.Second
)

// Step lowers the current by a share of its set-point, on an operator's wish, and tells what the volts do.
func (c *Cell) Step(ctx context.Context, s control.StepOrder) (control.StepResult, error) {
	return answer(ctx, c, func(ctx context.Context) (control.StepResult, error) {
		stepCtx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*c.link.handsTime())
		defer cancel()
		return c.step(stepCtx, s)
	})
}

// step lowers the current by a share of its set-point and reads what the volts do.
// It only goes down: the current stays there until a person raises it at the supply.
func (c *Cell) step(ctx context.Context, s control.StepOrder) (out control.StepResult, err error) {
	r := c.run
	switch {
	case !c.settings.May.Step:
		return out, control.Refuse(`a current step on cell %s: %w; add "step" to may`, c.settings.Cell, errNotAllowed)
	case r == nil || !c.link.up() || !r.On():
		return out, control.Refuse("cell %s has no run with current on", c.settings.Cell)
	case !(s.Share >= leastStep && s.Share <= mostStep):
		return out, control.BadRequest("a step of %.4g %%: choose a share from %.4g %% to %.4g %% of the set-point", 100*s.Share, 100*leastStep, 100*mostStep)
	}
	supply, ok := c.link.hands()
	if !ok {
		return out, errNoHands
	}
	var test alerts.StepTest
	if out.BeforeVolts, out.BeforeAmperes, err = c.average(ctx, test.Before); err != nil {
		return out, err
	}
	// Asked for at the last moment: lowering what was the set-point a while ago might raise what it is now.
	if err := c.refreshStatus(ctx); err != nil {
		return out, err
	}
	set := c.link.Status.SetAmperes
	if math.IsNaN(float64(set)) || c.reading.Mode == drivers.ConstantVoltage {
		return out, control.Refuse("a step needs a supply in CC mode that reports its current set-point; this one is not now")
	}
	target := set * drivers.Amperes(1-s.Share)
	if err := supply.SetCurrent(ctx, target); err != nil {
		return out, fmt.Errorf("lowering the current to %.4g A: %w", float64(target), err)
	}
	err = c.link.verify(ctx, func(st drivers.Status, reading drivers.Reading) error {
		if st.SetAmperes > target*1.01+0.002 || reading.Amperes > target*1.02+0.01 {
			return fmt.Errorf("commanded %.4g A; the set-point reads %.4g A and the current %.4g A", float64(target), float64(st.SetAmperes), float64(reading.Amperes))
		}
		return nil
	})
	r.StepExpected(c.facts())
	if err != nil {
		return out, err
	}
	for until := c.m.now() + surfaceTime; c.m.now() < until; {
		if _, err := c.oneMore(ctx); err != nil {
			return out, err
		}
	}
	if out.AfterVolts, out.AfterAmperes, err = c.average(ctx, test.After); err != nil {
		return out, err
	}
	result, err := test.Result()
	if err != nil {
		return out, err
	}
	out.Ohms, out.OhmsDoubt = result.Ohms, result.Uncertainty
	r.Stepped(c.facts(), s.By, result, &out)
	return out, nil
}

// oneMore takes a reading between polls, which counts like any other.
func (c *Cell) oneMore(ctx context.Context) (drivers.Reading, error) {
	reading, err := c.link.supply.Poll(ctx)
	if err != nil {
		c.refuse(err)
		return reading, fmt.Errorf("reading during a step: %w", err)
	}
	c.merge(&reading)
	c.reading = reading
	c.good++
	r := c.run
	r.Learn(c.facts())
	c.counted(r.Round(&c.reading))
	if c.useHands(ctx); c.run != r || r.OffExpected() {
		return reading, errors.New("the step was abandoned: the output had to be switched off")
	}
	return reading, nil
}

// average takes some readings, gives each to take, and returns their means.
func (c *Cell) average(ctx context.Context, take func(volts, amperes float64)) (volts, amperes float64, err error) {
	for range stepPolls {
		reading, err := c.oneMore(ctx)
		if err != nil {
			return 0, 0, err
		}
		take(float64(reading.Volts), float64(reading.Amperes))
		volts, amperes = volts+float64(reading.Volts), amperes+float64(reading.Amperes)
	}
	return volts / stepPolls, amperes / stepPolls, nil
}
