package watch

import (
	"context"
	"math"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
)

// obstinate is a supply that takes every command and then says what a test wants.
type obstinate struct {
	status    drivers.Status
	amperes   drivers.Amperes
	then      drivers.Status // after a command
	thenFlows drivers.Amperes
}

func (s *obstinate) Poll(context.Context) (drivers.Reading, error) {
	return drivers.Reading{Volts: 3, Amperes: s.amperes, Output: s.status.Output}, nil
}
func (s *obstinate) Identify(context.Context) (drivers.Identity, error) {
	return drivers.Identity{Maker: "EXAMPLE", Model: "PS-30-5"}, nil
}
func (s *obstinate) Status(context.Context) (drivers.Status, error) { return s.status, nil }
func (s *obstinate) SwitchOff(context.Context) error {
	s.status, s.amperes = s.then, s.thenFlows
	return nil
}
func (s *obstinate) SetCurrent(context.Context, drivers.Amperes) error {
	return s.SwitchOff(context.Background())
}
func (s *obstinate) Close() error { return nil }

// TestWhatTheHandsBelieve commands an off, and a hold at 0.2 A, and lets the supply say each half of what verifies
// them alone: output state and current, set-point and current.
func TestWhatTheHandsBelieve(t *testing.T) {
	nan := drivers.Amperes(math.NaN())
	for _, tt := range []struct {
		name     string
		hold     bool
		output   drivers.Output
		set      drivers.Amperes
		flows    drivers.Amperes
		believed bool
	}{
		{"off, and nothing flows", false, drivers.OutputOff, 3, 0.001, true},
		{"off by the current, of a supply that tells no state", false, drivers.OutputUnknown, 3, 0.001, true},
		{"off while current flows", false, drivers.OutputOff, 3, 3, false},
		{"off while current flows backwards", false, drivers.OutputOff, 3, -3, false},
		{"off while the output says on", false, drivers.OutputOn, 3, 0.001, false},
		{"hold, set and flowing", true, drivers.OutputOn, 0.2, 0.199, true},
		{"hold, set, and the cell takes less", true, drivers.OutputOn, 0.2, 0.05, true},
		{"hold with too much current", true, drivers.OutputOn, 0.2, 0.3, false},
		{"hold with the set-point before", true, drivers.OutputOn, 3, 0.199, false},
		{"hold with a set-point not read back", true, drivers.OutputOn, nan, 0.199, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				s := &obstinate{status: drivers.Status{Output: drivers.OutputOn, SetVolts: 6, SetAmperes: 3}, amperes: 3,
					then: drivers.Status{Output: tt.output, SetVolts: 6, SetAmperes: tt.set}, thenFlows: tt.flows}
				began := time.Now()
				now := func() time.Duration { return time.Since(began) }
				l := &link{may: allMay, open: func(context.Context, Noted) (drivers.Supply, error) { return s, nil }, mostVolts: 32, mostAmperes: 5}
				if err := l.attach(t.Context(), 0); err != nil {
					t.Fatal(err)
				}
				var err error
				if tt.hold {
					err = l.hold(t.Context(), now, 0.2)
				} else {
					err = l.switchOff(t.Context(), now, func(a drivers.Amperes) bool { return math.Abs(float64(a)) <= 0.03 })
				}
				if (err == nil) != tt.believed {
					t.Errorf("believed: %v (%v)", err == nil, err)
				}
				if err == nil && l.proof.Amperes != tt.flows {
					t.Errorf("the proof is a reading of %v A", l.proof.Amperes)
				}
			})
		})
	}
}
