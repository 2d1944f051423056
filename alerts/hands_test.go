package alerts_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
)

// TestDecide: what the operator's wishes come to, given permissions, alarms and delays.
func TestDecide(t *testing.T) {
	off, hold := alerts.Off, alerts.Hold
	react := func(c alerts.Condition, do alerts.Act, after time.Duration) alerts.Hands {
		return alerts.Hands{May: alerts.Permission{Off: true, Hold: true}, HoldAmperes: 0.2, Reactions: []alerts.Reaction{{Condition: c, Do: do, After: after}}}
	}
	short := func(o *alerts.Observation) { o.Volts = 0.3 }
	reached := func(o *alerts.Observation) { o.Charge, o.Target = 2e6, 1e6 }
	tests := []struct {
		name  string
		bad   func(*alerts.Observation)
		after time.Duration // how long it stands
		hands alerts.Hands
		at    alerts.Situation
		ack   bool
		want  alerts.Act
		says  string
	}{
		{"nothing is wrong", func(*alerts.Observation) {}, time.Minute, react(alerts.HardShort, off, 0), alerts.Situation{}, false, alerts.Notify, ""},
		{"short, off at once", short, time.Minute, react(alerts.HardShort, off, 0), alerts.Situation{}, false, off, "hard-short"},
		{"short, not yet", short, time.Minute, react(alerts.HardShort, off, 5*time.Minute), alerts.Situation{}, false, alerts.Notify, ""},
		{"short, the delay is over", short, 6 * time.Minute, react(alerts.HardShort, off, 5*time.Minute), alerts.Situation{}, false, off, "hard-short"},
		{"acknowledged is not mended", short, 6 * time.Minute, react(alerts.HardShort, off, 5*time.Minute), alerts.Situation{}, true, off, "hard-short"},
		{"not permitted", short, time.Minute, alerts.Hands{Reactions: []alerts.Reaction{{Condition: alerts.HardShort, Do: off}}}, alerts.Situation{}, false, alerts.Notify, "does not permit"},
		{"another condition", short, time.Minute, react(alerts.Whisker, off, 0), alerts.Situation{}, false, alerts.Notify, ""},
		{"done before", short, time.Minute, react(alerts.HardShort, off, 0), alerts.Situation{Done: func(alerts.Condition) bool { return true }}, false, alerts.Notify, ""},
		{"hold", short, time.Minute, react(alerts.HardShort, hold, 0), alerts.Situation{SetAmperes: 3}, false, hold, "hard-short"},
		{"hold would raise", short, time.Minute, react(alerts.HardShort, hold, 0), alerts.Situation{SetAmperes: 0.1}, false, alerts.Notify, "never raises"},
		{"hold with an unknown set-point", short, time.Minute, react(alerts.HardShort, hold, 0), alerts.Situation{SetAmperes: math.NaN()}, false, alerts.Notify, "unknown"},
		{"hold without a current", short, time.Minute, alerts.Hands{May: alerts.Permission{Hold: true}, Reactions: []alerts.Reaction{{Condition: alerts.HardShort, Do: hold}}}, alerts.Situation{SetAmperes: 3}, false, alerts.Notify, "no hold current"},
		{"off outweighs hold", short, time.Minute, alerts.Hands{May: alerts.Permission{Off: true, Hold: true}, HoldAmperes: 0.2, Reactions: []alerts.Reaction{
			{Condition: alerts.HardShort, Do: hold}, {Condition: alerts.HardShort, Do: off}}}, alerts.Situation{SetAmperes: 3}, false, off, "hard-short"},
		{"at target: tell", reached, time.Minute, react(alerts.TargetReached, alerts.Notify, 0), alerts.Situation{}, false, alerts.Notify, ""},
		{"at target: off", reached, time.Minute, react(alerts.TargetReached, off, 0), alerts.Situation{}, false, off, "target-reached"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			r := newRig(t)
			r.run(time.Minute)
			tt.bad(&r.o)
			r.run(tt.after)
			if tt.ack {
				if _, err := r.b.Obey(alerts.HardShort, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, r.o.UTC); err != nil {
					t.Fatal(err)
				}
			}
			tt.at.Now = r.o.At
			d := r.b.Decide(tt.hands, tt.at)
			if d.Do != tt.want || !strings.Contains(d.Text, tt.says) || tt.says == "" && d.Text != "" {
				t.Errorf("%s %q, want %s that says %q", d.Do, d.Text, tt.want, tt.says)
			}
		})
	}
}

// TestAConsequenceStillActs: suppressing it spares a person a notice, and the cell nothing.
func TestAConsequenceStillActs(t *testing.T) {
	r := newRig(t)
	l, c := zinc()
	l.AmperesPerSquareMetre, l.CathodeSquareMetres = 350, 0.01
	r.b = alerts.NewBoard(l, c)
	r.run(time.Minute)
	r.o.Amperes, r.o.SetAmperes = 4, 4
	r.run(time.Minute)
	if a := r.b.Alarm(alerts.CurrentDensity); a.State != alerts.DSUPR || !a.Holds {
		t.Fatalf("current-density: %+v", a)
	}
	h := alerts.Hands{May: alerts.Permission{Off: true}, Reactions: []alerts.Reaction{{Condition: alerts.CurrentDensity, Do: alerts.Off}}}
	if d := r.b.Decide(h, alerts.Situation{Now: r.o.At}); d.Do != alerts.Off || d.Condition != alerts.CurrentDensity {
		t.Errorf("%+v", d)
	}
	if _, err := r.b.Obey(alerts.CurrentDensity, alerts.Order{Do: alerts.TakeOut, By: "ann", Reason: "a wider cathode hangs there"}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	if d := r.b.Decide(h, alerts.Situation{Now: r.o.At}); d.Do != alerts.Notify {
		t.Errorf("taken out of service it acts: %+v", d)
	}
}

// TestDecideSaysWhenTheNextActIsDue, so that a caller need not wait for the next reading.
func TestDecideSaysWhenTheNextActIsDue(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.o.Volts = 0.3
	r.run(66 * time.Second) // raised after the on-delay of 5 s, 60 s ago
	h := alerts.Hands{May: alerts.Permission{Off: true}, Reactions: []alerts.Reaction{{Condition: alerts.HardShort, Do: alerts.Off, After: 5 * time.Minute}}}
	if d := r.b.Decide(h, alerts.Situation{Now: r.o.At}); d.In < 238*time.Second || d.In > 241*time.Second {
		t.Errorf("due in %s, want about 4 min", d.In)
	}
	if _, err := r.b.Obey(alerts.HardShort, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "looking at it", Length: time.Hour}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	if d := r.b.Decide(h, alerts.Situation{Now: r.o.At + time.Hour}); d.Do != alerts.Notify || d.In != 0 {
		t.Errorf("a shelved alarm acts: %+v", d)
	}
}
