package drivers

import (
	"context"
	"errors"
	"math"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// one is a channel that answers what it is told to.
type one struct {
	Reading
	Status0 Status
	err     error
	off     int
	set     Amperes
	closed  bool
}

func (o *one) Poll(context.Context) (Reading, error)         { return o.Reading, o.err }
func (o *one) Identify(context.Context) (Identity, error)    { return Identity{Maker: "EXAMPLE"}, o.err }
func (o *one) Status(context.Context) (Status, error)        { return o.Status0, o.err }
func (o *one) Close() error                                  { o.closed = true; return o.err }
func (o *one) SwitchOff(context.Context) error               { o.off++; return o.err }
func (o *one) SetCurrent(_ context.Context, a Amperes) error { o.set = a; return o.err }

func TestBank(t *testing.T) {
	first := &one{Reading: Reading{At: 4 * time.Second, Took: 2 * time.Millisecond, Volts: 6, Amperes: 3, Mode: ConstantCurrent, Output: OutputOn},
		Status0: Status{Output: OutputOn, Mode: ConstantCurrent, SetVolts: 8, SetAmperes: 3, LimitVolts: 9, LimitAmperes: 4, Errors: []string{"a"}}}
	second := &one{Reading: Reading{At: 6 * time.Second, Took: time.Millisecond, Volts: 6.2, Amperes: 1, Mode: ConstantCurrent, Output: OutputOn},
		Status0: Status{At: time.Minute, Output: OutputOn, Mode: ConstantCurrent, SetVolts: 7, SetAmperes: 1, LimitVolts: 10, LimitAmperes: 2, Tripped: []string{"over-voltage"}, Errors: []string{"b"}}}
	b := NewBank([]Supply{first, second}, 2)
	near := cmpopts.EquateApprox(1e-12, 0)
	r, err := b.Poll(t.Context())
	if d := cmp.Diff(Reading{At: 5 * time.Second, Took: 3 * time.Millisecond, Volts: 3.05, Amperes: 4, Mode: ConstantCurrent, Output: OutputOn}, r, near); d != "" || err != nil {
		t.Error(d, err)
	}
	s, err := b.Status(t.Context())
	if d := cmp.Diff(Status{At: time.Minute, Output: OutputOn, Mode: ConstantCurrent, SetVolts: 3.5, SetAmperes: 4, LimitVolts: 4.5, LimitAmperes: 6,
		Tripped: []string{"over-voltage"}, Errors: []string{"a", "b"}}, s, near); d != "" || err != nil {
		t.Error(d, err)
	}
	if err := b.SetCurrent(t.Context(), 0.4); err != nil || math.Abs(float64(first.set)-0.3) > 1e-12 || math.Abs(float64(second.set)-0.1) > 1e-12 {
		t.Errorf("0.4 A of 3 A and 1 A: %v A and %v A, %v", first.set, second.set, err)
	}
	if err := b.SwitchOff(t.Context()); err != nil || first.off != 1 || second.off != 1 {
		t.Errorf("off: %d, %d, %v", first.off, second.off, err)
	}
	// One that is on is on, and a mode that differs is unknown.
	first.Output, first.Mode, second.Status0.Mode, second.Status0.Output = OutputOff, ConstantVoltage, ConstantVoltage, OutputOff
	if r, err = b.Poll(t.Context()); err != nil || r.Output != OutputOn || r.Mode != ModeUnknown {
		t.Errorf("%+v, %v", r, err)
	}
	if s, err = b.Status(t.Context()); err != nil || s.Output != OutputOn || s.Mode != ModeUnknown {
		t.Errorf("%+v, %v", s, err)
	}
	second.Output = OutputUnknown
	if r, err = b.Poll(t.Context()); err != nil || r.Output != OutputUnknown {
		t.Errorf("off and unknown: %+v, %v", r, err)
	}
	// What one does not do is told of the whole, and the others are switched off all the same.
	first.err = errors.New("no answer")
	if _, err := b.Poll(t.Context()); !errors.Is(err, first.err) {
		t.Error(err)
	}
	if _, err := b.Status(t.Context()); !errors.Is(err, first.err) {
		t.Error(err)
	}
	if err := b.SetCurrent(t.Context(), 0.1); !errors.Is(err, first.err) {
		t.Error(err)
	}
	if err := b.SwitchOff(t.Context()); !errors.Is(err, first.err) || second.off != 2 {
		t.Errorf("%v; the second was switched off %d times", err, second.off)
	}
	if err := b.Close(); !errors.Is(err, first.err) || !second.closed {
		t.Errorf("%v; the second is closed: %v", err, second.closed)
	}
}

// Set-points that are not known might be raised by a part of a hold current.
func TestBankRaisesNothing(t *testing.T) {
	first, second := &one{Status0: Status{SetAmperes: 3}}, &one{Status0: Status{SetAmperes: Amperes(math.NaN())}}
	b := NewBank([]Supply{first, second}, 1)
	if _, err := b.Status(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := b.SetCurrent(t.Context(), 0.4); err == nil || first.set != 0 || second.set != 0 {
		t.Errorf("%v A and %v A were set, %v", first.set, second.set, err)
	}
}
