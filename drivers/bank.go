package drivers

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"
)

// Bank is what one cell has of a supply: one channel or several in parallel, whose amperes add up, and of their volts one
// part in so many as cells are in series there. How cells in series share the volts is not measured; they are taken to share evenly.
type Bank struct {
	channels []Supply
	cells    float64
	set      []Amperes // set-point of each channel, as Status told it last
}

var (
	_ Supply   = (*Bank)(nil)
	_ Switcher = (*Bank)(nil)
)

// NewBank takes over open channels, at least one, with so many cells in series.
func NewBank(channels []Supply, cells int) *Bank {
	return &Bank{channels: channels, cells: float64(cells), set: make([]Amperes, len(channels))}
}

// Poll takes a reading of every channel; one that fails fails all.
func (b *Bank) Poll(ctx context.Context) (sum Reading, err error) {
	n := len(b.channels)
	for i, c := range b.channels {
		r, err := c.Poll(ctx)
		if err != nil {
			return Reading{}, b.of(i, err)
		}
		sum.At += r.At / time.Duration(n)
		sum.Took += r.Took
		sum.Amperes += r.Amperes
		sum.Volts += r.Volts / Volts(float64(n)*b.cells)
		sum.Mode, sum.Output = together(i, sum.Mode, r.Mode, sum.Output, r.Output)
	}
	return sum, nil
}

// of says which of several channels an error is of.
func (b *Bank) of(i int, err error) error {
	if len(b.channels) == 1 {
		return err
	}
	return fmt.Errorf("channel %d of %d in parallel: %w", i+1, len(b.channels), err)
}

// together adds the i-th channel's mode and output to those before: a mode that is not of all is unknown, and any output
// that is on is on, since then current may flow.
func together(i int, mode, m Mode, output, o Output) (Mode, Output) {
	switch {
	case i == 0:
		return m, o
	case mode != m:
		mode = ModeUnknown
	}
	switch {
	case output == OutputOn || o == OutputOn:
		return mode, OutputOn
	case output != o:
		return mode, OutputUnknown
	}
	return mode, output
}

// Identify asks who is there. All channels are of one instrument.
func (b *Bank) Identify(ctx context.Context) (Identity, error) { return b.channels[0].Identify(ctx) }

// Status asks every channel. Currents add up; of the volts the lowest counts, which acts first.
func (b *Bank) Status(ctx context.Context) (all Status, err error) {
	for i, c := range b.channels {
		s, err := c.Status(ctx)
		if err != nil {
			return Status{}, b.of(i, err)
		}
		b.set[i] = s.SetAmperes
		s.SetVolts /= Volts(b.cells)
		s.LimitVolts /= Volts(b.cells)
		if i == 0 {
			all = s
			continue
		}
		all.At = s.At
		all.SetVolts, all.LimitVolts = min(all.SetVolts, s.SetVolts), min(all.LimitVolts, s.LimitVolts)
		all.SetAmperes += s.SetAmperes
		all.LimitAmperes += s.LimitAmperes
		all.Mode, all.Output = together(i, all.Mode, s.Mode, all.Output, s.Output)
		all.Tripped, all.Errors = append(all.Tripped, s.Tripped...), append(all.Errors, s.Errors...)
	}
	return all, nil
}

// Close gives every channel back.
func (b *Bank) Close() error {
	var err error
	for _, c := range b.channels {
		err = errors.Join(err, c.Close())
	}
	return err
}

// SwitchOff commands every output off, also after one that failed.
func (b *Bank) SwitchOff(ctx context.Context) error {
	var all error
	for i, c := range b.channels {
		s, ok := c.(Switcher)
		if !ok {
			return errors.New("the supply cannot be switched by nightcell")
		}
		if err := s.SwitchOff(ctx); err != nil {
			all = errors.Join(all, b.of(i, err))
		}
	}
	return all
}

// SetCurrent commands each channel its part, in the proportion of their present set-points, so that none is raised.
func (b *Bank) SetCurrent(ctx context.Context, a Amperes) error {
	total := Amperes(0)
	for _, x := range b.set {
		total += x
	}
	for i, c := range b.channels {
		s, ok := c.(Switcher)
		part := a
		if len(b.channels) > 1 {
			part *= b.set[i] / total
		}
		if !ok || math.IsNaN(float64(part)) {
			return errors.New("the channels in parallel do not report their set-points, so that one might be raised by mistake; switch off instead")
		}
		if err := s.SetCurrent(ctx, part); err != nil {
			return b.of(i, err)
		}
	}
	return nil
}
