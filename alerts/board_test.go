package alerts_test

import (
	"math"
	"testing"
	"time"

	"nightcell/alerts"
)

var midnight = time.Date(2025, 11, 25, 0, 0, 0, 0, time.UTC)

// zinc is the cell of the examples: a divided cell on a spent galvanizing pickle, 3 A.
func zinc() (alerts.Limits, alerts.Chemistry) {
	l := alerts.Defaults()
	l.Amperes, l.Volts = 3.3, 6
	return l, alerts.Chemistry{Metal: "zinc", FloorVolts: 1.99, RedissolvesOff: true, Divided: true}
}

// rig feeds a board second by second.
type rig struct {
	t *testing.T
	b *alerts.Board
	o alerts.Observation
}

func newRig(t *testing.T) *rig {
	o := alerts.Blank(0, midnight)
	o.HasReading, o.Volts, o.Amperes = true, 3.2, 3
	o.Mode, o.Output = alerts.ConstantCurrent, alerts.OutputIsOn
	o.SetVolts, o.SetAmperes = 6, 3
	return &rig{t: t, b: alerts.NewBoard(zinc()), o: o}
}

// run feeds for a time and returns the changes it made.
func (r *rig) run(d time.Duration) []alerts.Change {
	var got []alerts.Change
	for range d / time.Second {
		got = append(got, r.b.Judge(&r.o)...)
		r.o.At += time.Second
		r.o.Volts += 0.0005 * (2*math.Mod(r.o.At.Seconds(), 2) - 1) // a meter is never still
		r.o.UTC = r.o.UTC.Add(time.Second)
	}
	return got
}

// want checks the condition and the states of the only changes.
func want(t *testing.T, got []alerts.Change, c alerts.Condition, to ...alerts.State) {
	t.Helper()
	var states []alerts.State
	for _, ch := range got {
		if ch.Condition == c {
			states = append(states, ch.State)
		} else if ch.State == alerts.UNACK {
			t.Errorf("unwanted %s: %s", ch.Condition, ch.Text)
		}
	}
	if len(states) != len(to) {
		t.Fatalf("%s: states %v, want %v", c, states, to)
	}
	for i := range to {
		if states[i] != to[i] {
			t.Fatalf("%s: states %v, want %v", c, states, to)
		}
	}
}

func TestEachSimpleConditionComesAndGoes(t *testing.T) {
	tests := []struct {
		c          alerts.Condition
		bad        func(*alerts.Observation)
		comes, off time.Duration
		over       []alerts.State
	}{
		{alerts.OverCurrent, func(o *alerts.Observation) { o.Amperes = 3.4 }, 5 * time.Second, 15 * time.Second, []alerts.State{alerts.RTNUN}},
		{alerts.HardShort, func(o *alerts.Observation) { o.Volts = 0.4 }, 7 * time.Second, 2 * time.Minute, []alerts.State{alerts.LTUNK}},
		{alerts.LeadOff, func(o *alerts.Observation) { o.Volts, o.Amperes, o.Mode = 5.99, 0.001, alerts.ConstantVoltage }, 7 * time.Second, 15 * time.Second, []alerts.State{alerts.RTNUN}},
		{alerts.SupplySilent, func(o *alerts.Observation) { o.HasReading, o.Silence = false, 20*time.Second }, 2 * time.Second, 10 * time.Second, []alerts.State{alerts.RTNUN}},
		{alerts.TargetReached, func(o *alerts.Observation) { o.Charge, o.Target = 1e6, 1e6 }, 2 * time.Second, 2 * time.Minute, []alerts.State{alerts.RTNUN}},
	}
	for _, tt := range tests {
		t.Run(tt.c.String(), func(t *testing.T) {
			r := newRig(t)
			want(t, r.run(2*time.Minute), tt.c)
			good := r.o
			tt.bad(&r.o)
			want(t, r.run(tt.comes), tt.c, alerts.UNACK)
			good.At, good.UTC, good.Target = r.o.At, r.o.UTC, r.o.Target
			good.Charge = 0
			r.o = good
			want(t, r.run(tt.off), tt.c, tt.over...)
		})
	}
}

func TestVoltageDriftAfterWarmUpOnly(t *testing.T) {
	r := newRig(t)
	for range 40 { // a warm-up fall of half a volt is forgiven
		r.o.Volts -= 0.0125
		want(t, r.run(time.Minute), alerts.VoltageDrift)
	}
	want(t, r.run(90*time.Minute), alerts.VoltageDrift)
	var got []alerts.Change
	for range 40 {
		r.o.Volts -= 0.01
		got = append(got, r.run(time.Minute)...)
	}
	want(t, append(got, r.run(15*time.Minute)...), alerts.VoltageDrift, alerts.UNACK)
}

func BenchmarkJudgeQuiet(b *testing.B) {
	board := alerts.NewBoard(zinc())
	o := alerts.Blank(0, midnight)
	o.HasReading, o.Volts, o.Amperes = true, 3.2, 3
	o.Mode, o.Output = alerts.ConstantCurrent, alerts.OutputIsOn
	o.SetVolts, o.SetAmperes = 6, 3
	o.Charge, o.Target, o.PlanCharge, o.ChargeUncertainty = 1000, 1e6, 1000, 10
	b.ReportAllocs()
	for b.Loop() {
		o.At += time.Second
		o.Volts += 1e-12
		board.Judge(&o)
	}
}

// TestAFlickerKeepsTheBeginning: what stops for less than its off-delay is the same alarm, since the same moment; what is over
// and comes again is another.
func TestAFlickerKeepsTheBeginning(t *testing.T) {
	r := newRig(t)
	r.run(10 * time.Minute)
	r.o.Amperes = 3.4
	want(t, r.run(time.Minute), alerts.OverCurrent, alerts.UNACK)
	since := r.b.Alarm(alerts.OverCurrent).Since
	r.o.Amperes = 3
	want(t, r.run(2*time.Second), alerts.OverCurrent)
	r.o.Amperes = 3.4
	want(t, r.run(time.Minute), alerts.OverCurrent)
	if got := r.b.Alarm(alerts.OverCurrent).Since; !got.Equal(since) || since.IsZero() {
		t.Errorf("after a flicker it stands since %v, before since %v", got, since)
	}
	r.o.Amperes = 3
	want(t, r.run(time.Minute), alerts.OverCurrent, alerts.RTNUN)
	r.o.Amperes = 3.4
	want(t, r.run(time.Minute), alerts.OverCurrent, alerts.UNACK)
	if got := r.b.Alarm(alerts.OverCurrent).Since; !got.After(since.Add(time.Minute)) {
		t.Errorf("another alarm stands since %v, the first since %v", got, since)
	}
}
