package watch

import (
	"context"
	"errors"
	"fmt"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/run"
	"nightcell/drivers"
)

// useHands does what the operator has allowed and asked for, when the moment has come, and says whether anything
// came of it. What has begun is finished even while the watch is being stopped; the hands' own time-outs bound it.
func (c *Cell) useHands(ctx context.Context) bool {
	o := c.run.Decide()
	if o.Refused && c.link.Status.At < c.reading.At && c.refreshStatus(ctx) == nil {
		// Refused by what the supply said of itself some time ago: somebody may have turned a knob since.
		c.run.Learn(c.facts())
		o = c.run.Decide()
	}
	switch {
	case o.Do == alerts.Off && o.Due:
		_ = c.switchOff(context.WithoutCancel(ctx), o) // a failure is logged, told and tried again by the run
		return true
	case o.Do == alerts.Hold && o.Due:
		_ = c.hold(context.WithoutCancel(ctx), o) // likewise
		return true
	case o.Do != alerts.Tell:
		return false // it was tried a moment ago
	case o.Refused:
		c.run.NotDone(o)
	}
	c.run.EndIfOver()
	return c.ended()
}

// switchOff switches the output off and lets the run know what came of it.
func (c *Cell) switchOff(ctx context.Context, o run.Order) error {
	proof, err := c.commandOff(ctx)
	c.counted(c.run.SwitchedOff(c.facts(), o, proof, err))
	c.ended()
	return err
}

// hold lowers the current to the hold current and lets the run know what came of it.
func (c *Cell) hold(ctx context.Context, o run.Order) error {
	proof, err := c.commandHold(ctx)
	c.counted(c.run.Held(c.facts(), o, proof, err))
	return err
}

// commandOff returns the reading that verifies that the output is off.
func (c *Cell) commandOff(ctx context.Context) (*drivers.Reading, error) {
	atRest := c.waiting.atRest
	if c.run != nil {
		atRest = c.run.AtRest()
	}
	err := c.link.switchOff(ctx, c.m.now, func(a drivers.Amperes) bool { return c.settings.Dead(a, atRest) })
	return c.proof(err), err
}

// commandHold returns the reading that verifies the hold current.
func (c *Cell) commandHold(ctx context.Context) (*drivers.Reading, error) {
	err := c.link.hold(ctx, c.m.now, c.settings.HoldAmperes)
	return c.proof(err), err
}

// proof makes the reading that verified an act the newest.
func (c *Cell) proof(err error) *drivers.Reading {
	if err == nil {
		c.reading = c.link.proof
	}
	return &c.reading
}

// partWith does with a live output what the operator chose for the end of the watch, and tells people what it came to.
// An off that was ordered before and could not be verified is tried once more in any case.
func (c *Cell) partWith(ctx context.Context) (err error) {
	o := run.Order{Do: c.settings.OnStop, Why: "nightcell was stopped"}
	c.run.Learn(c.facts())
	failed, due := c.run.OffFailed()
	if !failed && !c.run.On() {
		return nil
	}
	c.live = true
	what, urgency := "its output off, verified", routes.Medium
	var proof *drivers.Reading
	switch {
	case failed && !due:
		err = errors.New("switching it off was tried a moment ago and could not be verified; switch it off by hand")
	case failed:
		err = c.switchOff(ctx, run.Order{Do: alerts.Off, Why: o.Why + " while an off was not verified"})
	case o.Do == alerts.Off:
		proof, err = c.commandOff(ctx)
		c.run.Parted(c.facts(), o, proof, err)
	case o.Do == alerts.Hold:
		proof, err = c.commandHold(ctx)
		c.run.Parted(c.facts(), o, proof, err)
		what, urgency = fmt.Sprintf("its current held at %.3g A", float64(c.settings.HoldAmperes)), routes.High
	default:
		what, urgency = fmt.Sprintf("the supply goes on pushing %.3g A", float64(c.reading.Amperes)), routes.High
	}
	switch {
	case err != nil && (failed || o.Do == alerts.Off):
		what, urgency, err = "its output may still be on", routes.Highest, fmt.Errorf("the output may still be on: %w", err)
	case err != nil:
		what, err = "its current is not lowered", fmt.Errorf("the current could not be lowered: %w", err)
	}
	c.settings.Log.Warn("nightcell stops", "cell", c.settings.Cell, "output", what)
	if c.run != nil {
		c.run.Left(c.facts(), what, urgency)
	}
	return err
}
