package scpi

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"nightcell/drivers"
)

// address makes sure that this channel is the one selected, if the supply works so: it selects it if need be and asks back.
func (s *Supply) address(ctx context.Context) error {
	if s.dialect.Addressing != AddressSelect {
		return nil
	}
	for tried := false; ; tried = true {
		switch x, _, _, err := s.number(ctx, s.selection, s.timeout()); {
		case err != nil || int(x) == s.settings.Channel:
			return err
		case tried:
			return s.refusal(drivers.Unasked, s.selection.text, []byte(fmt.Sprintf("channel %g is selected, not %d", x, s.settings.Channel)))
		}
		if err := s.command(ctx, s.selectIt); err != nil {
			return err
		}
	}
}

// SwitchOff commands the output off. On a line that is out of step it does not wait
// to find the place, because the command needs no answer; but where a channel
// must be selected first, it acts only once the selection is verified, lest another
// cell's output goes off.
func (s *Supply) SwitchOff(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.off) == 0 {
		return errors.New("the dialect of this supply has no command to switch off; give off in its dialect")
	}
	if s.dialect.Addressing == AddressSelect {
		if err := s.ready(ctx); err != nil {
			return err
		}
		if err := s.address(ctx); err != nil {
			return err
		}
	} else if s.unsure && s.line != nil && !s.dialect.Echo {
		if err := s.command(ctx, nil); err != nil { // ends a half-heard message, which would swallow the command
			return err
		}
	}
	s.sinceState = s.settings.StatusEvery // the next reading tells the new state
	return s.act(ctx, s.off)
}

// SetCurrent commands a current set-point, cut to the dialect's decimals. It asks
// for the present set-point first and refuses to raise it.
func (s *Supply) SetCurrent(ctx context.Context, a drivers.Amperes) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.dialect.SetCurrent == "" {
		return errors.New("the dialect of this supply has no command to set the current; give set_current in its dialect")
	}
	if math.IsNaN(float64(a)) || a < 0 || s.settings.RangeAmperes > 0 && a > s.settings.RangeAmperes {
		return fmt.Errorf("%g A cannot be set; the supply's range is 0 to %g A", float64(a), float64(s.settings.RangeAmperes))
	}
	if err := s.ready(ctx); err != nil {
		return err
	}
	if err := s.address(ctx); err != nil {
		return err
	}
	x, ok, err := s.optional(ctx, s.setAmperes)
	if err != nil {
		return fmt.Errorf("asking for the present set-point: %w", err)
	}
	if !ok {
		return errors.New("the supply does not report its current set-point, so it might be raised by mistake; switch off instead")
	}
	if float64(a) > x {
		return fmt.Errorf("%g A is above the present set-point of %g A; nightcell never raises one", float64(a), x)
	}
	s.sinceState = s.settings.StatusEvery
	if s.dialect.Milliamperes {
		a *= 1000
	}
	text, number := s.dialect.SetCurrent, cut(float64(a), s.dialect.CurrentDecimals)
	if strings.Contains(text, amperesMark) {
		text = strings.ReplaceAll(text, amperesMark, number)
	} else {
		text += " " + number
	}
	return s.act(ctx, []byte(s.addressed(text)))
}

// cut writes x with a number of decimals, rounded towards zero.
func cut(x float64, decimals int) string {
	scale := math.Pow10(decimals)
	// A decimal fraction may lie a hair below its own float64: 0.29 × 100 must stay 29.
	return strconv.FormatFloat(math.Floor(x*scale+1e-6)/scale, 'f', decimals, 64)
}

// act sends a command and drops what some firmware answers though nobody asked.
func (s *Supply) act(ctx context.Context, msg []byte) error {
	if err := s.command(ctx, msg); err != nil {
		return fmt.Errorf("%s: %w", msg, err)
	}
	if len(s.line.Drain(time.Duration(s.dialect.Quiet)/2)) > 0 {
		s.unsure = true
	}
	return nil
}
