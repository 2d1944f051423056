package alerts_test

import (
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
)

// only keeps the changes of one condition.
func only(changes []alerts.Change, c alerts.Condition) []alerts.Change {
	var got []alerts.Change
	for _, ch := range changes {
		if ch.Condition == c {
			got = append(got, ch)
		}
	}
	return got
}

func TestOnDelay(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.o.Amperes = 3.4
	if got := only(r.run(3*time.Second), alerts.OverCurrent); len(got) != 0 {
		t.Fatalf("raised before its on-delay of 3 s: %v", got)
	}
	r.o.Amperes = 3
	r.run(time.Second)
	r.o.Amperes = 3.4 // the delay begins anew
	if got := only(r.run(3*time.Second), alerts.OverCurrent); len(got) != 0 {
		t.Fatalf("an interruption did not begin the delay anew: %v", got)
	}
	if got := only(r.run(time.Second), alerts.OverCurrent); len(got) != 1 {
		t.Fatalf("not raised after 3 s: %v", got)
	}
}

func TestDeadbandAndOffDelay(t *testing.T) {
	r := newRig(t)
	r.o.Amperes = 3.4
	r.run(10 * time.Second)
	r.o.Amperes = 3.25 // under the limit of 3.3 A, inside the deadband of 2 %
	if got := only(r.run(time.Minute), alerts.OverCurrent); len(got) != 0 {
		t.Fatalf("taken back inside the deadband: %v", got)
	}
	r.o.Amperes = 3.2
	if got := only(r.run(10*time.Second), alerts.OverCurrent); len(got) != 0 {
		t.Fatalf("taken back before its off-delay of 10 s: %v", got)
	}
	if got := only(r.run(time.Second), alerts.OverCurrent); len(got) != 1 || got[0].State != alerts.RTNUN {
		t.Fatalf("not taken back after 10 s: %v", got)
	}
}

// TestFirstOut: a lead that falls off drives the supply to its voltage limit and out of
// constant current. One alarm says so; the consequences are suppressed by design with the reason.
func TestFirstOut(t *testing.T) {
	r := newRig(t)
	r.run(5 * time.Minute)
	r.o.Amperes, r.o.Volts, r.o.Mode = 0, 6, alerts.ConstantVoltage
	got := r.run(5 * time.Minute)
	raised := 0
	for _, ch := range got {
		if ch.Raised() {
			raised++
			if ch.Condition != alerts.LeadOff || !ch.First || ch.After != alerts.None {
				t.Errorf("raised %s, first %v, after %q", ch.Condition, ch.First, ch.After)
			}
		}
	}
	if raised != 1 {
		t.Errorf("%d alarms raised, want one", raised)
	}
	flip := only(got, alerts.ModeFlip)
	if len(flip) != 1 || flip[0].State != alerts.DSUPR || !strings.Contains(flip[0].Reason, "lead-off") {
		t.Errorf("mode-flip: %+v", flip)
	}
	r.o.Amperes, r.o.Volts, r.o.Mode = 3, 3.2, alerts.ConstantCurrent
	if back := only(r.run(2*time.Minute), alerts.ModeFlip); len(back) != 1 || back[0].State != alerts.NORM {
		t.Errorf("mode-flip afterwards: %+v", back)
	}
}

// TestConsequenceSurvivesItsCause: what was suppressed as a consequence is raised when
// the cause is over and it still holds.
func TestConsequenceSurvivesItsCause(t *testing.T) {
	r := newRig(t)
	r.run(5 * time.Minute)
	r.o.SetAmperes, r.o.Mode = 2.5, alerts.ConstantVoltage
	r.run(time.Minute)
	if a := r.b.Alarm(alerts.ModeFlip); a.State != alerts.DSUPR {
		t.Fatalf("mode-flip is %s", a.State)
	}
	r.o.SetAmperes = 3
	got := only(r.run(3*time.Minute), alerts.ModeFlip)
	if len(got) != 1 || got[0].State != alerts.UNACK {
		t.Fatalf("mode-flip after the set-point was put back: %+v", got)
	}
}

// TestSilenceSuppressesWhatCannotBeKnown, and leaves standing what stood.
func TestSilenceSuppressesWhatCannotBeKnown(t *testing.T) {
	r := newRig(t)
	r.o.Amperes = 3.4
	r.run(time.Minute)
	r.o.HasReading, r.o.Silence = false, 20*time.Second
	got := r.run(2 * time.Second)
	if ch := only(got, alerts.SupplySilent); len(ch) != 1 || ch[0].State != alerts.UNACK {
		t.Fatalf("supply-silent: %+v", ch)
	}
	if ch := only(got, alerts.LeadOff); len(ch) != 1 || ch[0].State != alerts.DSUPR || !strings.Contains(ch[0].Reason, "does not answer") {
		t.Errorf("lead-off: %+v", ch)
	}
	if a := r.b.Alarm(alerts.OverCurrent); a.State != alerts.UNACK {
		t.Errorf("over-current that stood is %s", a.State)
	}
	r.o.HasReading, r.o.Silence, r.o.Amperes = true, 0, 3
	back := r.run(30 * time.Second)
	if ch := only(back, alerts.LeadOff); len(ch) != 1 || ch[0].State != alerts.NORM {
		t.Errorf("lead-off afterwards: %+v", ch)
	}
	if ch := only(back, alerts.OverCurrent); len(ch) != 1 || ch[0].State != alerts.RTNUN {
		t.Errorf("over-current afterwards: %+v", ch)
	}
}

func TestShelfExpires(t *testing.T) {
	r := newRig(t)
	r.o.Amperes = 3.4
	r.run(time.Minute)
	ch, err := r.b.Obey(alerts.OverCurrent, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "the limit is being changed", Length: 10 * time.Minute}, r.o.UTC)
	if err != nil || ch.State != alerts.SHLVD || ch.By != "ann" {
		t.Fatalf("%+v, %v", ch, err)
	}
	if a := r.b.Alarm(alerts.OverCurrent); a.ShelfEnds.Sub(r.o.UTC) > 10*time.Minute || a.Reason == "" {
		t.Errorf("shelf ends %s, reason %q", a.ShelfEnds, a.Reason)
	}
	if got := only(r.run(9*time.Minute), alerts.OverCurrent); len(got) != 0 {
		t.Fatalf("a shelved alarm speaks: %+v", got)
	}
	got := only(r.run(2*time.Minute), alerts.OverCurrent)
	if len(got) != 1 || got[0].From != alerts.SHLVD || got[0].State != alerts.UNACK {
		t.Fatalf("after the shelf time: %+v", got)
	}
}

func TestLatchedUntilReset(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.o.Volts = 0.4
	r.run(time.Minute)
	r.o.Volts = 3.2
	r.run(5 * time.Minute)
	steps := []struct {
		do alerts.Event
		to alerts.State
	}{{alerts.Acknowledge, alerts.LTACK}, {alerts.Reset, alerts.NORM}}
	if a := r.b.Alarm(alerts.HardShort); a.State != alerts.LTUNK {
		t.Fatalf("hard-short is %s after it is over", a.State)
	}
	for _, s := range steps {
		if ch, err := r.b.Obey(alerts.HardShort, alerts.Order{Do: s.do, By: "ann"}, r.o.UTC); err != nil || ch.State != s.to {
			t.Errorf("%+v, %v, want %s", ch, err, s.to)
		}
	}
}

// TestWhatAPersonCannotDo: each refusal says what there is instead.
func TestWhatAPersonCannotDo(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	c, now := alerts.OverCurrent, r.o.UTC
	tests := []struct {
		name string
		do   func() (alerts.Change, error)
		says string
	}{
		{"nothing to acknowledge", func() (alerts.Change, error) {
			return r.b.Obey(c, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, now)
		}, "over-current is normal; there is nothing to acknowledge"},
		{"nobody", func() (alerts.Change, error) { return r.b.Obey(c, alerts.Order{Do: alerts.Acknowledge, By: ""}, now) }, "name"},
		{"unknown condition", func() (alerts.Change, error) {
			return r.b.Obey(alerts.Condition(200), alerts.Order{Do: alerts.Acknowledge, By: "ann"}, now)
		}, "unknown condition"},
		{"none", func() (alerts.Change, error) {
			return r.b.Obey(alerts.None, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, now)
		}, "unknown condition"},
		{"shelf without reason", func() (alerts.Change, error) {
			return r.b.Obey(c, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "", Length: time.Hour}, now)
		}, "reason"},
		{"shelf for ever", func() (alerts.Change, error) {
			return r.b.Obey(c, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "x", Length: 1000 * time.Hour}, now)
		}, "at most 24.0 h"},
		{"shelf for no time", func() (alerts.Change, error) {
			return r.b.Obey(c, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "x", Length: 0}, now)
		}, "above zero"},
		{"unshelve what is not shelved", func() (alerts.Change, error) { return r.b.Obey(c, alerts.Order{Do: alerts.Unshelve, By: "ann"}, now) }, "is normal; there is nothing to unshelve"},
		{"out of service without reason", func() (alerts.Change, error) {
			return r.b.Obey(c, alerts.Order{Do: alerts.TakeOut, By: "ann", Reason: ""}, now)
		}, "over-current: give the reason"},
		{"return what is in service", func() (alerts.Change, error) { return r.b.Obey(c, alerts.Order{Do: alerts.PutBack, By: "ann"}, now) }, "nothing to return to service"},
		{"reset what is not latched", func() (alerts.Change, error) { return r.b.Obey(c, alerts.Order{Do: alerts.Reset, By: "ann"}, now) }, "nothing to reset"},
		{"raise again what is not acknowledged", func() (alerts.Change, error) { return r.b.Obey(c, alerts.Order{Do: alerts.Reannounce, By: "ann"}, now) }, "nothing to raise again"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			before := r.b.Alarm(c)
			if _, err := tt.do(); err == nil || !strings.Contains(err.Error(), tt.says) {
				t.Errorf("error %v, want one that says %q", err, tt.says)
			}
			if after := r.b.Alarm(c); after != before {
				t.Errorf("a refusal changed %+v to %+v", before, after)
			}
		})
	}
}

// TestSetAsideAndBack: out of service and on the shelf, each with its way back.
func TestSetAsideAndBack(t *testing.T) {
	r := newRig(t)
	r.o.Amperes = 3.4
	r.run(time.Minute)
	for _, s := range []struct {
		aside alerts.Event
		state alerts.State
		back  alerts.Event
	}{{alerts.TakeOut, alerts.OOSRV, alerts.PutBack}, {alerts.Shelve, alerts.SHLVD, alerts.Unshelve}} {
		order := alerts.Order{Do: s.aside, By: "ann", Reason: "test", Length: time.Hour}
		if ch, err := r.b.Obey(alerts.OverCurrent, order, r.o.UTC); err != nil || ch.State != s.state {
			t.Fatalf("%+v, %v", ch, err)
		}
		if got := only(r.run(5*time.Minute), alerts.OverCurrent); len(got) != 0 {
			t.Fatalf("%s speaks: %+v", s.state, got)
		}
		if ch, err := r.b.Obey(alerts.OverCurrent, alerts.Order{Do: s.back, By: "ann"}, r.o.UTC); err != nil || ch.State != alerts.UNACK {
			t.Fatalf("back from %s: %+v, %v", s.state, ch, err)
		}
	}
}

// TestFlapStorm: ten thousand flaps in a minute are said a few times, not ten thousand.
func TestFlapStorm(t *testing.T) {
	l, c := zinc()
	*l.Setting(alerts.OverCurrent) = alerts.Setting{Priority: alerts.High} // no delays at all
	r := newRig(t)
	r.b = alerts.NewBoard(l, c)
	r.run(time.Second)
	var got []alerts.Change
	for i := range 20000 {
		r.o.At += 3 * time.Millisecond
		r.o.Amperes = 3 + float64(i%2)
		got = append(got, only(r.b.Judge(&r.o), alerts.OverCurrent)...)
	}
	if len(got) > 6 || len(got) < 3 {
		t.Errorf("%d changes for 10 000 flaps", len(got))
	}
	if last := got[len(got)-1]; !last.State.Active() || !strings.Contains(last.Text, "chattering") {
		t.Errorf("the last change does not say so: %+v", last)
	}
	r.o.Amperes = 3
	if calm := only(r.run(11*time.Minute), alerts.OverCurrent); len(calm) != 1 || calm[0].State != alerts.RTNUN {
		t.Errorf("after ten calm minutes: %+v", calm)
	}
}

// TestFlood: above 10 alarms in 10 minutes low ones are no longer announced, until
// below 5 in 10 minutes (ISA-18.2-2016, 16.4.4).
func TestFlood(t *testing.T) {
	r := newRig(t)
	l, c := zinc()
	*l.Setting(alerts.PushBehind) = alerts.Setting{Priority: alerts.Low}
	l.Chatter.Count = 100
	r.b = alerts.NewBoard(l, c)
	r.run(time.Second)
	heard, raised := 0, 0
	for range 15 {
		for _, lag := range []time.Duration{time.Hour, 0} {
			r.o.PushLag = lag
			for _, ch := range only(r.run(20*time.Second), alerts.PushBehind) {
				if ch.State == alerts.UNACK {
					raised++
				}
				if ch.Raised() {
					heard++
				}
			}
		}
	}
	if raised != 15 || heard != 10 || !r.b.Flooding() {
		t.Errorf("raised %d, heard %d, flooding %v; want 15, 10, true", raised, heard, r.b.Flooding())
	}
	r.run(20 * time.Minute)
	if r.b.Flooding() {
		t.Error("the flood does not end")
	}
	r.o.PushLag = time.Hour
	if got := only(r.run(time.Second), alerts.PushBehind); len(got) != 1 || !got[0].Raised() || r.b.Flooding() {
		t.Errorf("after the flood: %+v, flooding %v", got, r.b.Flooding())
	}
}

// TestFloodKeepsNothingBackForGood: what was raised in a flood, told to nobody and still
// stands is told when the flood is over, once.
func TestFloodKeepsNothingBackForGood(t *testing.T) {
	r := newRig(t)
	l, c := zinc()
	*l.Setting(alerts.PushBehind) = alerts.Setting{Priority: alerts.High}
	*l.Setting(alerts.GapTooLong) = alerts.Setting{Priority: alerts.Medium}
	*l.Setting(alerts.LogDisk) = alerts.Setting{Priority: alerts.Medium}
	l.Chatter.Count = 100
	r.b = alerts.NewBoard(l, c)
	r.run(time.Second)
	for range 11 {
		for _, lag := range []time.Duration{time.Hour, 0} {
			r.o.PushLag = lag
			r.run(20 * time.Second)
		}
	}
	r.o.LogFailed = true
	r.o.Gap = time.Hour
	got := only(r.run(time.Second), alerts.LogDisk)
	if len(got) != 1 || got[0].Raised() {
		t.Fatalf("in the flood: %+v", got)
	}
	r.o.Gap = 0
	r.run(time.Second)
	all := r.run(20 * time.Minute)
	if got = only(all, alerts.LogDisk); len(got) != 1 || !got[0].Raised() || got[0].Flood || !strings.Contains(got[0].Text, "run log") {
		t.Errorf("when it is over: %+v", got)
	}
	if got = only(all, alerts.GapTooLong); len(got) != 0 {
		t.Errorf("what had come and gone: %+v", got)
	}
}

// TestAFloodThatEndsWithAnAlarmKeepsNothingBack: hours without a reading pass, and the next one brings an
// alarm of its own. What a person unshelved in the flood was kept back too.
func TestAFloodThatEndsWithAnAlarmKeepsNothingBack(t *testing.T) {
	r := newRig(t)
	l, c := zinc()
	*l.Setting(alerts.PushBehind) = alerts.Setting{Priority: alerts.High}
	*l.Setting(alerts.GapTooLong) = alerts.Setting{Priority: alerts.Medium}
	*l.Setting(alerts.LogDisk) = alerts.Setting{Priority: alerts.Medium}
	l.Chatter.Count = 100
	r.b = alerts.NewBoard(l, c)
	r.o.Gap = time.Hour
	r.run(time.Second)
	if _, err := r.b.Obey(alerts.GapTooLong, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "a known outage", Length: time.Hour}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	for range 11 {
		for _, lag := range []time.Duration{time.Hour, 0} {
			r.o.PushLag = lag
			r.run(20 * time.Second)
		}
	}
	r.o.LogFailed = true
	r.run(time.Second)
	if ch, err := r.b.Obey(alerts.GapTooLong, alerts.Order{Do: alerts.Unshelve, By: "ann"}, r.o.UTC); err != nil || ch.Raised() {
		t.Fatalf("unshelved in the flood: %+v, %v", ch, err)
	}
	r.o.At, r.o.PushLag = r.o.At+3*time.Hour, time.Hour
	all := r.run(time.Second)
	for _, condition := range []alerts.Condition{alerts.PushBehind, alerts.LogDisk, alerts.GapTooLong} {
		if got := only(all, condition); len(got) != 1 || !got[0].Raised() {
			t.Errorf("%s: %+v", condition, got)
		}
	}
}

// TestWhatNobodyIsAskedToAnswerIsNoFlood: consequences that are suppressed count no more than shelved alarms do.
func TestWhatNobodyIsAskedToAnswerIsNoFlood(t *testing.T) {
	r := newRig(t)
	r.run(2 * time.Hour)
	if _, err := r.b.Obey(alerts.PushBehind, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "the database is moved", Length: time.Hour}, r.o.UTC); err != nil {
		t.Fatal(err)
	}
	for range 4 {
		r.o.PushLag, r.o.Volts, r.o.Amperes, r.o.Mode = time.Hour, 6, 0, alerts.ConstantVoltage // a lead is off
		r.run(70 * time.Second)
		r.o.PushLag, r.o.Volts, r.o.Amperes, r.o.Mode = 0, 3.2, 3, alerts.ConstantCurrent
		r.run(70 * time.Second)
	}
	if r.b.Flooding() {
		t.Errorf("four lost clips are a flood: %+v", r.b.Active())
	}
}

// TestRiseInWarmUp: while the corridor is being learned a fall is forgiven and a rise is not.
func TestRiseInWarmUp(t *testing.T) {
	r := newRig(t)
	for range 30 {
		r.o.Volts -= 0.01
		if got := r.run(time.Minute); len(got) != 0 {
			t.Fatalf("while it warms: %+v", got)
		}
	}
	var got []alerts.Change
	for range 60 {
		r.o.Volts += 0.01
		got = append(got, only(r.run(time.Minute), alerts.VoltageDrift)...)
	}
	if len(got) != 1 || got[0].State != alerts.UNACK || !strings.Contains(got[0].Text, "warm-up") {
		t.Errorf("after a rise of 0.6 V: %+v", got)
	}
}
