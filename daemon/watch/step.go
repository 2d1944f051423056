package watch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

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
		return out, control.BadRequest("a step of %g: choose a share from %g to %g of the set-point", s.Share, leastStep, mostStep)
	}
	supply, ok := c.link.supply.(drivers.Switcher)
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
