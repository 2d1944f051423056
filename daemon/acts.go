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

// retryHands is how long nightcell waits before it tries an act again that it could not verify.
const retryHands = 30 * time.Second

// useHands does what the operator has allowed and asked for, when the moment has come.
// What has begun is finished even while the watch is being stopped; the hands' own time-outs bound it.
func (c *Cell) useHands(ctx context.Context) {
	r := c.run
	switch do, condition, why := r.wanted(ctx, c); do {
	case alerts.Off:
		if r.time.now() >= r.nextOff {
			r.acted[condition] = true
			_ = c.doOff(context.WithoutCancel(ctx), why) // a failure is logged, told and tried again there
		}
	case alerts.Hold:
		if r.time.now() >= r.nextHold {
			r.acted[condition] = true
			if c.doHold(context.WithoutCancel(ctx), why) != nil { // likewise
				delete(r.acted, condition)
			}
		}
	default:
		r.endIfOver(c)
	}
}

// wanted is what is to be done now by the configuration, and why. The target acts
// whatever became of its alarm; the conditions act through theirs.
func (r *run) wanted(ctx context.Context, c *Cell) (alerts.Act, alerts.Condition, string) {
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
	d := r.decide(c)
	if d.Do == alerts.Tell && d.Condition != alerts.None && c.link.status.At < c.reading.At {
		// Refused by what the supply said of itself some time ago: somebody may have turned a knob since.
		if c.refreshStatus(ctx) == nil {
			d = r.decide(c)
		}
	}
	if d.Do == alerts.Tell && d.Condition != alerts.None {
		r.acted[d.Condition] = true // said once
		c.set.Log.Warn("not done", "cell", c.set.Cell, "why", d.Text)
		r.note(c, r.log.Output(r.time.stamp(r.time.now()), "none", "refused", d.Text))
	}
	return d.Do, d.Condition, d.Text
}

// decide asks the alarms what the operator's wishes come to now.
func (r *run) decide(c *Cell) alerts.Decision {
	return r.alarms.Decide(alerts.Hands{
		MayHold: c.set.May.Hold, MayOff: c.set.May.Off, HoldAmperes: float64(c.set.HoldAmperes), Reactions: c.set.Reactions,
	}, alerts.Situation{Now: r.time.now(), SetAmperes: float64(c.link.status.SetAmperes), Done: r.done})
}

// done says what was reacted to before.
func (r *run) done(c alerts.Condition) bool { return r.acted[c] }

// doOff switches off and verifies; what cannot be verified is tried again and again, and is an alarm.
func (c *Cell) doOff(ctx context.Context, why string) error {
	r := c.run
	r.offWhy = why
	r.offExpected = true // an output found off from now on is no surprise
	err := c.link.switchOff(ctx, c.m.now, c.dead)
	utc := r.time.stamp(r.time.now())
	if err != nil {
		r.offFailed, r.nextOff = true, r.time.now()+retryHands
		r.note(c, r.log.Output(utc, string(Off), "failed", why+": "+err.Error()))
		c.set.Log.Error("the output may still be on", "cell", c.set.Cell, "why", why, "err", err)
		r.note(c, r.checkpoint(c, utc))
		return err
	}
	r.offFailed, r.offVerified, r.nextOff = false, true, 0
	r.takeProof(c)
	r.lastOn = false // whatever the coulometer made of the reading
	r.note(c, r.log.Output(utc, string(Off), "verified", why))
	c.set.Log.Info("output off, verified by read-back", "cell", c.set.Cell, "why", why)
	said := "The supply says its output is off and no current flows."
	if c.link.status.Output == drivers.OutputUnknown {
		said = "No current flows; this supply does not tell its output state."
	}
	r.notice(c, utc, routes.Notice{Kind: routes.Milestone, Priority: routes.Medium, Subject: c.set.Cell + ": output off, verified",
		Text: "Switched off because: " + why + ". " + said, Meaning: c.restMeaning(), First: "Take the cathode out and rinse it."})
	r.note(c, r.checkpoint(c, utc))
	r.endIfOver(c)
	return nil
}

// takeProof counts the reading that verified an act, so that the charge of the time
// that the act took is in the books, and so that the log shows the current gone.
func (r *run) takeProof(c *Cell) {
	r.lookAtClocks(c)
	c.reading = c.link.proof
	r.take(c)
}

// doHold lowers the current to the hold current and verifies. What cannot be
// verified is tried again; a person hears of the first failure and of the success.
func (c *Cell) doHold(ctx context.Context, why string) error {
	r := c.run
	err := c.link.hold(ctx, c.m.now, c.set.HoldAmperes)
	utc := r.time.stamp(r.time.now())
	outcome, text := "verified", why
	if err != nil {
		outcome, text = "failed", why+": "+err.Error()
		r.nextHold = r.time.now() + retryHands
		c.set.Log.Error("the current could not be lowered to the hold current", "cell", c.set.Cell, "why", why, "err", err)
	} else {
		r.nextHold = 0
		r.takeProof(c)
		r.expectSet(c)
	}
	r.note(c, r.log.Output(utc, string(Hold), outcome, text))
	if err == nil || !r.holdFailed {
		r.notice(c, utc, routes.Notice{Kind: routes.Milestone, Priority: routes.High, Subject: fmt.Sprintf("%s: hold at %.3g A %s", c.set.Cell, float64(c.set.HoldAmperes), outcome),
			Text: "Lowered because: " + text, First: "Go to the cell: the hold current only buys time."})
		r.note(c, r.checkpoint(c, utc))
	}
	r.holdFailed = err != nil
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
	switch {
	case r.offFailed || !r.isOff(c):
	case r.reached:
		r.end(c, "target reached and output off")
	case r.offExpected:
		r.end(c, "switched off before the target")
	}
}

// isOff says that the output is off: by its own word, by our verified command, or,
// where the supply does not tell, by no current for longer than a pause.
func (r *run) isOff(c *Cell) bool {
	switch {
	case r.lastOn || c.reading.Output == drivers.OutputOn:
		return false
	case r.offVerified || c.reading.Output == drivers.OutputOff:
		return true
	}
	return r.lastGood-r.lastLive > max(c.set.Count.GapAfter, 10*c.set.Poll)
}

// partWith does with a live output what the operator chose for the end of the watch.
// An off that was ordered before and could not be verified is tried once more in any case.
func (c *Cell) partWith(ctx context.Context) error {
	r := c.run
	const why = "nightcell was stopped"
	switch {
	case r.offFailed && r.time.now() < r.nextOff:
		return errors.New("the output may still be on: switching it off was tried a moment ago and could not be verified; switch it off by hand")
	case r.offFailed:
		if err := c.doOff(ctx, why+" while an off was not verified"); err != nil {
			return fmt.Errorf("the output may still be on: %w", err)
		}
	case !r.lastOn:
	case c.set.OnStop == Off:
		if err := c.link.switchOff(ctx, c.m.now, c.dead); err != nil {
			r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Off), "failed", why+": "+err.Error()))
			return fmt.Errorf("the output may still be on: %w", err)
		}
		r.parted = true
		r.takeProof(c)
		r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Off), "verified", why))
		c.set.Log.Info("output off, verified by read-back", "cell", c.set.Cell, "why", why)
	case c.set.OnStop == Hold:
		if err := c.link.hold(ctx, c.m.now, c.set.HoldAmperes); err != nil {
			r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Hold), "failed", why+": "+err.Error()))
			return fmt.Errorf("the current could not be lowered: %w", err)
		}
		r.takeProof(c)
		r.expectSet(c)
		r.note(c, r.log.Output(r.time.stamp(r.time.now()), string(Hold), "verified", why))
	default:
		c.set.Log.Warn("stopping with the output live: the supply goes on pushing current and nobody watches", "cell", c.set.Cell, "amperes", float64(c.reading.Amperes))
	}
	return nil
}

// errNotAllowed is the answer to a wish that the configuration does not allow.
var errNotAllowed = errors.New("the configuration does not allow it")
