package daemon

import (
	"context"
	"errors"
	"fmt"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/drivers"
)

// retryOff is how long nightcell waits before it tries again to switch off what it
// could not verify to be off.
const retryOff = 30 * time.Second

// useHands does what the operator has allowed and asked for, when the moment has come.
func (c *Cell) useHands(ctx context.Context) {
	r := c.run
	if r.nextTry != 0 && r.time.now() < r.nextTry {
		return
	}
	switch do, why := r.wanted(c); do {
	case Off:
		c.doOff(ctx, why)
	case Hold:
		c.doHold(ctx, why)
	default:
		r.endIfOver(c)
	}
}

// wanted is what is to be done now by the configuration, and why.
func (r *run) wanted(c *Cell) (Choice, string) {
	if r.offFailed {
		return Off, "the output could not be verified to be off before"
	}
	if r.offExpected {
		return Tell, ""
	}
	if r.reached && !r.acted[alerts.TargetReached] && (c.set.AtTarget == Off || c.set.AtTarget == Hold) {
		return c.set.AtTarget, "target reached"
	}
	for _, re := range c.set.Reactions {
		a, holds := r.stands(re.Condition)
		if holds && !r.acted[re.Condition] && r.since(a.ActiveSince) >= re.After && a.State != alerts.OOSRV && a.State != alerts.SHLVD && a.State != alerts.DSUPR {
			return re.Do, re.Condition.String()
		}
	}
	return Tell, ""
}

// markActed remembers what was reacted to, so that it is done once.
func (r *run) markActed(c *Cell, do Choice) {
	if r.reached {
		r.acted[alerts.TargetReached] = true
	}
	for _, re := range c.set.Reactions {
		if _, holds := r.stands(re.Condition); holds && (re.Do == do || do == Off) {
			r.acted[re.Condition] = true
		}
	}
}

// doOff switches off and verifies; what cannot be verified is tried again and again, and is an alarm.
func (c *Cell) doOff(ctx context.Context, why string) error {
	r := c.run
	r.offExpected = true // an output found off from now on is no surprise
	err := c.link.switchOff(ctx, c.m.now, drivers.Amperes(c.startAmperes()))
	utc := r.time.stamp(r.time.now())
	if err != nil {
		r.offFailed, r.nextTry = true, r.time.now()+retryOff
		r.note(c, r.log.Output(utc, string(Off), "failed", why+": "+err.Error()))
		c.set.Log.Error("the output may still be on", "cell", c.set.Cell, "why", why, "err", err)
		r.note(c, r.checkpoint(c, utc))
		return err
	}
	r.offFailed, r.offVerified, r.nextTry = false, true, 0
	r.markActed(c, Off)
	r.note(c, r.log.Output(utc, string(Off), "verified", why))
	c.set.Log.Info("output off, verified by read-back", "cell", c.set.Cell, "why", why)
	r.notice(c, utc, routes.Notice{Kind: routes.Milestone, Priority: routes.Medium, Subject: c.set.Cell + ": output off, verified",
		Text: "Switched off because: " + why + ". The supply says its output is off and no current flows.", Meaning: c.restMeaning(), First: "Take the cathode out and rinse it."})
	r.note(c, r.checkpoint(c, utc))
	c.reading.Output, c.reading.Amperes = drivers.OutputOff, 0
	r.endIfOver(c)
	return nil
}

// doHold lowers the current to the hold current and verifies.
func (c *Cell) doHold(ctx context.Context, why string) error {
	r := c.run
	r.markActed(c, Hold)
	err := c.link.hold(ctx, c.m.now, c.set.HoldAmperes)
	utc := r.time.stamp(r.time.now())
	outcome, text := "verified", why
	if err != nil {
		outcome, text = "failed", why+": "+err.Error()
		c.set.Log.Error("the current could not be lowered to the hold current", "cell", c.set.Cell, "why", why, "err", err)
	}
	r.note(c, r.log.Output(utc, string(Hold), outcome, text))
	r.notice(c, utc, routes.Notice{Kind: routes.Milestone, Priority: routes.High, Subject: fmt.Sprintf("%s: hold at %.3g A %s", c.set.Cell, float64(c.set.HoldAmperes), outcome),
		Text: "Lowered because: " + text, First: "Go to the cell: the hold current only buys time."})
	r.note(c, r.checkpoint(c, utc))
	return err
}

// restMeaning says what rest does to the deposit.
func (c *Cell) restMeaning() string {
	switch ch := c.set.Chemistry; {
	case ch.RedissolvesOff:
		return "This bath dissolves the deposit while the current is off."
	case ch.SpoiledByPause:
		return "Do not begin again on this deposit: it would peel."
	}
	return ""
}

// endIfOver ends the run once its output is off for good reason: switched off by us, or found off after the target.
func (r *run) endIfOver(c *Cell) {
	off := c.reading.Output == drivers.OutputOff && !c.live(c.reading)
	switch {
	case !off || r.offFailed:
	case r.reached:
		r.end(c, "target reached and output off")
	case r.offExpected:
		r.end(c, "switched off before the target")
	}
}

// partWith does with a live output what the operator chose for the end of the watch.
func (c *Cell) partWith(ctx context.Context) error {
	r := c.run
	if !r.lastOn {
		return nil
	}
	switch c.set.OnStop {
	case Off:
		if err := c.link.switchOff(ctx, c.m.now, drivers.Amperes(c.startAmperes())); err != nil {
			r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Off), "failed", "nightcell was stopped: "+err.Error()))
			return fmt.Errorf("the output may still be on: %w", err)
		}
		r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Off), "verified", "nightcell was stopped"))
		c.set.Log.Info("output off, verified by read-back", "cell", c.set.Cell, "why", "nightcell was stopped")
	case Hold:
		if err := c.link.hold(ctx, c.m.now, c.set.HoldAmperes); err != nil {
			r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Hold), "failed", "nightcell was stopped: "+err.Error()))
			return fmt.Errorf("the current could not be lowered: %w", err)
		}
		r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Hold), "verified", "nightcell was stopped"))
	default:
		c.set.Log.Warn("stopping with the output live: the supply goes on pushing current and nobody watches", "cell", c.set.Cell, "amperes", float64(c.reading.Amperes))
	}
	return nil
}

// errNotAllowed is the answer to a wish that the configuration does not allow.
var errNotAllowed = errors.New("the configuration does not allow it")
