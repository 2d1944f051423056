package watch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

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
		s, ok := l.supply.(drivers.Switcher)
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
