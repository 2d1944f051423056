package alerts_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
)

// TestSupplyThatTellsLittle: without mode bits and output state, set-points and
// readings must do.
func TestSupplyThatTellsLittle(t *testing.T) {
	r := newRig(t)
	r.o.Mode, r.o.Output = alerts.ModeUnknown, alerts.OutputUnknown
	r.run(5 * time.Minute)
	r.o.Volts, r.o.Amperes = 5.99, 2.4
	if got := only(r.run(time.Minute), alerts.ModeFlip); len(got) != 1 || got[0].State != alerts.UNACK {
		t.Errorf("at the voltage limit: %+v", got)
	}
	r.o.Volts, r.o.Amperes = 3.2, 3
	r.run(2 * time.Minute)
	r.o.Volts, r.o.Amperes = 6, 0
	if got := only(r.run(time.Minute), alerts.LeadOff); len(got) != 1 || got[0].State != alerts.UNACK {
		t.Errorf("with a lead off: %+v", got)
	}
}

// TestAcknowledgedSetPointIsMeant: whoever acknowledges the change means it; the alarm
// ends, its consequences are judged again, and another change is an alarm again.
func TestAcknowledgedSetPointIsMeant(t *testing.T) {
	r := newRig(t)
	r.run(2 * time.Hour)
	r.o.SetAmperes, r.o.Amperes, r.o.Volts = 2, 2, 2.8
	if got := only(r.run(time.Minute), alerts.SetPointsChanged); len(got) != 1 {
		t.Fatalf("%+v", got)
	}
	if _, err := r.b.Obey(alerts.SetPointsChanged, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	if got := only(r.run(5*time.Minute), alerts.SetPointsChanged); len(got) != 1 || got[0].State != alerts.NORM {
		t.Errorf("after it was acknowledged: %+v", got)
	}
	if says := strings.Join(r.b.Blind(), "\n"); !strings.Contains(says, "set-points-changed was acknowledged") {
		t.Errorf("nobody says why the corridor is learned anew:\n%s", says)
	}
	r.o.SetAmperes = 1.5
	if got := only(r.run(time.Minute), alerts.SetPointsChanged); len(got) != 1 || got[0].State != alerts.UNACK {
		t.Errorf("another change: %+v", got)
	}
}

// TestExpectedSetPointIsNoAlarm: what the watch itself commands is announced first.
func TestExpectedSetPointIsNoAlarm(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.b.Expect(6, 0.2)
	r.o.SetAmperes, r.o.Amperes = 0.2, 0.2
	if got := only(r.run(5*time.Minute), alerts.SetPointsChanged); len(got) != 0 {
		t.Errorf("%+v", got)
	}
}

// TestPowerLoss tells a loss of power from an output found off: silence before it, or
// the instrument's own word.
func TestPowerLoss(t *testing.T) {
	off := func(o *alerts.Observation) { o.Output, o.Amperes, o.Volts = alerts.OutputIsOff, 0, 1.9 }
	for _, tt := range []struct {
		name    string
		silence time.Duration
		state   func(*alerts.Observation)
		want    alerts.Condition
	}{
		{"off without silence", 0, off, alerts.OutputOff},
		{"off after silence", 30 * time.Second, off, alerts.MainsInterruption},
		{"other set-points after silence", 30 * time.Second, func(o *alerts.Observation) { o.SetAmperes, o.Amperes = 0.5, 0.5 }, alerts.MainsInterruption},
		{"the instrument says so", 0, func(o *alerts.Observation) { off(o); o.Restarted = true }, alerts.MainsInterruption},
		{"tripped after silence", 30 * time.Second, func(o *alerts.Observation) { off(o); o.Tripped = "over-current" }, alerts.ProtectionTripped},
		{"switched off by us", 30 * time.Second, func(o *alerts.Observation) { off(o); o.OffExpected = true }, alerts.None},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t)
			r.run(5 * time.Minute)
			for s := time.Second; s <= tt.silence; s += time.Second {
				r.o.HasReading, r.o.Silence = false, s
				r.run(time.Second)
			}
			r.o.HasReading, r.o.Silence = true, 0
			tt.state(&r.o)
			var raised []alerts.Condition
			for _, ch := range r.run(time.Minute) {
				if ch.Raised() && ch.Condition != alerts.SupplySilent {
					raised = append(raised, ch.Condition)
				}
			}
			if tt.want == alerts.None && len(raised) == 0 {
				return
			}
			if len(raised) != 1 || raised[0] != tt.want {
				t.Errorf("raised %v, want %s", raised, tt.want)
			}
		})
	}
}

// TestSettingTheSupplyAnewAfterAPowerLoss: whoever acknowledged the loss and then sets
// another current on purpose gets out of it; the set-points become an alarm of their own, to be
// acknowledged, and hide nothing for the rest of the night.
func TestSettingTheSupplyAnewAfterAPowerLoss(t *testing.T) {
	r := newRig(t)
	r.run(5 * time.Minute)
	for s := time.Second; s <= 30*time.Second; s += time.Second {
		r.o.HasReading, r.o.Silence = false, s
		r.run(time.Second)
	}
	r.o.HasReading, r.o.Silence, r.o.Volts = true, 0, 3.1
	r.o.SetAmperes, r.o.Amperes = 2, 2
	r.run(10 * time.Minute)
	if a := r.b.Alarm(alerts.MainsInterruption); a.State != alerts.UNACK {
		t.Fatalf("before anybody came: %+v", a)
	}
	if _, err := r.b.Obey(alerts.MainsInterruption, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	got := r.run(10 * time.Minute)
	if a := r.b.Alarm(alerts.MainsInterruption); a.State != alerts.LTACK {
		t.Errorf("acknowledged, and current flows again: %+v", a)
	}
	if set := only(got, alerts.SetPointsChanged); len(set) != 1 || !set[0].Raised() {
		t.Errorf("the set-points: %+v", set)
	}
	if _, err := r.b.Obey(alerts.SetPointsChanged, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	r.run(10 * time.Minute)
	if a := r.b.Alarm(alerts.SetPointsChanged); a.State != alerts.NORM {
		t.Errorf("acknowledged: %+v", a)
	}
}

// TestHardShortWithoutAFloor: a cell whose anode is not stated shorts while it is still
// being learned; the alarm stands as long as the short does. A current that was lowered is none.
func TestHardShortWithoutAFloor(t *testing.T) {
	l, c := zinc()
	c.FloorVolts = math.NaN()
	r := newRig(t)
	r.b = alerts.NewBoard(l, c)
	r.run(5 * time.Minute)
	volts, set := r.o.Volts, r.o.SetAmperes
	r.o.Volts, r.o.Amperes, r.o.SetAmperes = 0.22*volts, 0.22*set, 0.22*set
	if got := only(r.run(time.Minute), alerts.HardShort); len(got) != 0 {
		t.Fatalf("a lower current: %+v", got)
	}
	r = newRig(t)
	r.b = alerts.NewBoard(l, c)
	r.run(5 * time.Minute)
	r.o.Volts = 0.15
	got := only(r.run(10*time.Second), alerts.HardShort)
	if len(got) != 1 || got[0].State != alerts.UNACK || !strings.Contains(got[0].Text, "third of the cell") {
		t.Fatalf("shorted: %+v", got)
	}
	if got = only(r.run(2*time.Hour), alerts.HardShort); len(got) != 0 {
		t.Errorf("it stays shorted: %+v", got)
	}
	r.o.Volts = 3.2
	if got = only(r.run(5*time.Minute), alerts.HardShort); len(got) != 1 || got[0].State != alerts.LTUNK {
		t.Errorf("mended: %+v", got)
	}
}
