package watch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/notices"
	"nightcell/daemon/run"
	"nightcell/drivers"
)

const (
	handsTimeout  = 3 * time.Second        // machine time for one command with its read-back
	handsAttempts = 4                      // the first on the open line, the rest on a freshly opened one
	settleTries   = 10                     // readings allowed until the current has died away
	settlePause   = 150 * time.Millisecond // machine time between them: an output takes a moment to discharge
)

// errNoHands says that this supply cannot be commanded.
var errNoHands = errors.New("this supply cannot be commanded: its dialect has no such command")

// hands are what can be commanded over the open line; false: nothing.
func (l *link) hands() (permitted, bool) {
	s, ok := l.supply.(drivers.Switcher)
	return permitted{s, l.may()}, ok
}

// permitted is the last door before the line: whatever went wrong before it, no command passes that the permission in force does not allow.
type permitted struct {
	to  drivers.Switcher
	may alerts.Permission
}

func (p permitted) SwitchOff(ctx context.Context) error {
	if !p.may.Off {
		return errNotAllowed
	}
	return p.to.SwitchOff(ctx)
}

func (p permitted) SetCurrent(ctx context.Context, a drivers.Amperes) error {
	if !p.may.Hold && !p.may.Step {
		return errNotAllowed
	}
	return p.to.SetCurrent(ctx, a)
}

// switchOff commands the output off and believes only what is read back: output
// state off and no current. After a failure it opens the port anew and tries again.
// The error says that the output may still be on.
func (l *link) switchOff(ctx context.Context, now func() time.Duration, dead func(drivers.Amperes) bool) error {
	return l.act(ctx, now, func(ctx context.Context, s drivers.Switcher) error {
		if err := s.SwitchOff(ctx); err != nil {
			return fmt.Errorf("commanding the output off: %w", err)
		}
		return l.verify(ctx, func(st drivers.Status, r drivers.Reading) error {
			if st.Output == drivers.OutputOn {
				return errors.New("the supply still reports its output on")
			}
			if !dead(r.Amperes) {
				return fmt.Errorf("the current is still %.3g A", float64(r.Amperes))
			}
			return nil
		})
	})
}

// hold lowers the current set-point to a and believes only what is read back. It
// never raises a set-point: a must be below the present one, which is asked for first.
func (l *link) hold(ctx context.Context, now func() time.Duration, a drivers.Amperes) error {
	if !(a > 0) {
		return errors.New("no hold current is configured; set hold_current")
	}
	return l.act(ctx, now, func(ctx context.Context, s drivers.Switcher) error {
		st, err := l.supply.Status(ctx)
		if err != nil {
			return fmt.Errorf("asking for the present set-point: %w", err)
		}
		l.keepStatus(st)
		if math.IsNaN(float64(st.SetAmperes)) {
			return errors.New("the supply does not report its current set-point, so nightcell might raise it; use off, or set the hold current by hand")
		}
		if st.SetAmperes > a {
			if err := s.SetCurrent(ctx, a); err != nil {
				return fmt.Errorf("lowering the current to %.3g A: %w", float64(a), err)
			}
		}
		return l.verify(ctx, func(st drivers.Status, r drivers.Reading) error {
			if !run.AtHold(a, st.SetAmperes, r.Amperes) {
				return fmt.Errorf("the set-point reads back as %.4g A and %.4g A flow, asked for %.4g A", float64(st.SetAmperes), float64(r.Amperes), float64(a))
			}
			return nil
		})
	})
}

// verify reads the status and a reading until check agrees or the tries are used up.
func (l *link) verify(ctx context.Context, check func(drivers.Status, drivers.Reading) error) error {
	var last error
	for i := range settleTries {
		if i > 0 {
			if err := drivers.Rest(ctx, settlePause); err != nil {
				return errors.Join(last, err)
			}
		}
		st, err := l.supply.Status(ctx)
		if err != nil {
			return fmt.Errorf("reading the output state back: %w", err)
		}
		l.keepStatus(st)
		r, err := l.supply.Poll(ctx)
		if err != nil {
			return fmt.Errorf("reading the current back: %w", err)
		}
		if last = check(st, r); last == nil {
			l.proof = r
			return nil
		}
	}
	return last
}

// act runs do on the open line, and after each failure once more on a freshly opened one.
func (l *link) act(ctx context.Context, now func() time.Duration, do func(context.Context, drivers.Switcher) error) error {
	var errs []error
	for i := range handsAttempts {
		if i > 0 {
			l.drop(now(), errs[len(errs)-1])
		}
		if !l.up() {
			if err := l.attach(ctx, now()); err != nil {
				errs = append(errs, err)
				continue
			}
		}
		s, ok := l.hands()
		if !ok {
			return errNoHands
		}
		try, cancel := context.WithTimeout(ctx, l.handsTime())
		err := do(try, s)
		cancel()
		if err == nil {
			return nil
		}
		errs = append(errs, err)
		if ctx.Err() != nil {
			break
		}
	}
	return fmt.Errorf("not verified after %d attempts: %w", len(errs), errors.Join(errs...))
}

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
	case o.Do != alerts.Notify:
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

// partUnwatched gives the last word on an output that is live though no run could begin. Nothing is done to it.
func (c *Cell) partUnwatched() {
	n := run.LastWord(c.settings.Cell, fmt.Sprintf("the supply continues to deliver %.3g A", float64(c.reading.Amperes)), alerts.High)
	n.Cell, n.Supply, n.At = c.settings.Cell, c.settings.Supply, c.m.UTC()
	n.ID, c.live = notices.ID(n.Cell, n.At), true
	c.settings.Past(n)
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
	what, urgency := "its output off, verified", alerts.Medium
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
		what, urgency = fmt.Sprintf("its current held at %.3g A", float64(c.settings.HoldAmperes)), alerts.High
	default:
		what, urgency = fmt.Sprintf("the supply continues to deliver %.3g A", float64(c.reading.Amperes)), alerts.High
	}
	switch {
	case err != nil && (failed || o.Do == alerts.Off):
		what, urgency, err = "its output may still be on", alerts.Highest, fmt.Errorf("the output may still be on: %w", err)
	case err != nil:
		what, err = "its current is not lowered", fmt.Errorf("the current could not be lowered: %w", err)
	}
	c.settings.Log.Warn("nightcell stops", "cell", c.settings.Cell, "output", what)
	if c.run != nil {
		c.run.Left(c.facts(), what, urgency)
	}
	return err
}
