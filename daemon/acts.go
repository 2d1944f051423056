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
	do, condition, why := r.wanted(c)
	switch do {
	case alerts.Off:
		r.acted[condition] = true
		_ = c.doOff(ctx, why) // a failure is logged, told and tried again there
	case alerts.Hold:
		r.acted[condition] = true
		_ = c.doHold(ctx, why) // likewise
	default:
		r.endIfOver(c)
	}
}

// wanted is what is to be done now by the configuration, and why. The target acts
// whatever became of its alarm; the conditions act through theirs.
func (r *run) wanted(c *Cell) (alerts.Act, alerts.Condition, string) {
	switch {
	case r.offFailed:
		return alerts.Off, alerts.OffFailed, "the output could not be verified to be off before"
	case r.offExpected:
		return alerts.Tell, alerts.None, ""
	case r.reached && !r.acted[alerts.TargetReached] && c.set.AtTarget == Off:
		return alerts.Off, alerts.TargetReached, "target reached"
	case r.reached && !r.acted[alerts.TargetReached] && c.set.AtTarget == Hold:
		return alerts.Hold, alerts.TargetReached, "target reached"
	case len(c.set.Reactions) == 0:
		return alerts.Tell, alerts.None, ""
	}
	d := r.alarms.Decide(alerts.Hands{
		MayHold: c.set.May.Hold, MayOff: c.set.May.Off, HoldAmperes: float64(c.set.HoldAmperes), Reactions: c.set.Reactions,
	}, alerts.Situation{Now: r.time.now(), SetAmperes: float64(c.link.status.SetAmperes), Done: r.done})
	if d.Do == alerts.Tell && d.Condition != alerts.None && !r.acted[d.Condition] {
		r.acted[d.Condition] = true // said once
		c.set.Log.Warn("not done", "cell", c.set.Cell, "why", d.Text)
		r.note(c, r.log.Output(r.time.stamp(r.time.now()), "none", "refused", d.Text))
	}
	return d.Do, d.Condition, d.Text
}

// done says what was reacted to before.
func (r *run) done(c alerts.Condition) bool { return r.acted[c] }

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
	err := c.link.hold(ctx, c.m.now, c.set.HoldAmperes)
	r.expectSet(c)
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

// expectSet tells the alarms that the set-points now read back are ours.
func (r *run) expectSet(c *Cell) {
	st := &c.link.status
	r.alarms.Expect(float64(st.SetVolts), float64(st.SetAmperes))
	r.alarms.Relearn("nightcell lowered the current")
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
