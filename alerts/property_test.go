package alerts_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"nightcell/alerts"
)

// whim changes an observation to something else that may happen, in steps that last.
func whim(r *rand.Rand, o *alerts.Observation) {
	switch r.IntN(16) {
	case 0:
		o.Amperes = 3.5
	case 1:
		o.Volts, o.Amperes, o.Mode = 6, 0, alerts.ConstantVoltage
	case 2:
		o.Volts = 0.3
	case 3:
		o.HasReading, o.Silence = false, time.Duration(r.IntN(60))*time.Second
	case 4:
		o.Output, o.Amperes, o.Volts = alerts.OutputIsOff, 0, 1.9
	case 5:
		o.SetAmperes = 2
	case 6:
		o.Tripped = "over-voltage"
	case 7:
		o.Volts, o.Amperes = math.NaN(), math.Inf(1)
	case 8:
		o.PushLag = time.Hour
	case 9:
		o.Charge = 2e6
	case 10:
		o.Gap = time.Hour
	case 11:
		o.Volts += 0.1
	case 12:
		o.Restarted = true
	default: // all is well again
		at, utc := o.At, o.UTC
		*o = healthy()
		o.At, o.UTC = at, utc
	}
}

func healthy() alerts.Observation {
	o := alerts.Blank(0, midnight)
	o.HasReading, o.Volts, o.Amperes = true, 3.2, 3
	o.Mode, o.Output = alerts.ConstantCurrent, alerts.OutputIsOn
	o.SetVolts, o.SetAmperes = 6, 3
	o.Charge, o.Target, o.ChargeUncertainty, o.PlanCharge = 1000, 1e6, 10, 1000
	return o
}

// person does something to the board now and then; a refusal is fine.
func person(r *rand.Rand, b *alerts.Board, utc time.Time) []alerts.Change {
	c := alerts.Conditions()[r.IntN(len(alerts.Conditions()))]
	var ch alerts.Change
	var err error
	switch r.IntN(8) {
	case 0, 1, 2:
		ch, err = b.Obey(c, alerts.Order{Do: alerts.Acknowledge, By: "ann"}, utc)
	case 3:
		ch, err = b.Obey(c, alerts.Order{Do: alerts.Shelve, By: "ann", Reason: "whim", Length: time.Duration(1+r.IntN(600)) * time.Second}, utc)
	case 4:
		ch, err = b.Obey(c, alerts.Order{Do: alerts.TakeOut, By: "ann", Reason: "whim"}, utc)
	case 5:
		ch, err = b.Obey(c, alerts.Order{Do: alerts.PutBack, By: "ann"}, utc)
	case 6:
		ch, err = b.Obey(c, alerts.Order{Do: alerts.Reset, By: "ann"}, utc)
	case 7:
		b.Relearn("a whim")
		return nil
	}
	if err != nil {
		return nil
	}
	return []alerts.Change{ch}
}

var sameChange = cmp.Options{cmpopts.EquateNaNs()}

// TestNoTransitionIsLostAndRestoreContinues: the changes of each condition form an
// unbroken chain that ends in the state the list shows; and a board that went through JSON at
// any moment goes on, change for change, as the one that did not.
func TestNoTransitionIsLostAndRestoreContinues(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 9))
		l, c := zinc()
		if rapid.Bool().Draw(t, "no delays") {
			for _, cond := range alerts.Conditions() {
				s := l.Setting(cond)
				s.OnDelay, s.OffDelay = 0, 0
			}
		}
		b := alerts.NewBoard(l, c)
		o := healthy()
		b.Judge(&o)
		states := map[alerts.Condition]alerts.State{}
		for _, cond := range alerts.Conditions() {
			states[cond] = b.Alarm(cond).State
		}
		take := func(changes []alerts.Change) {
			for _, ch := range changes {
				again := ch.State == alerts.UNACK && ch.Raised() && strings.Contains(ch.Reason, "flood") // told late
				if ch.From != states[ch.Condition] || ch.From == ch.State && !again {
					t.Fatalf("%s goes from %s to %s, but was %s", ch.Condition, ch.From, ch.State, states[ch.Condition])
				}
				if ch.Text == "" || ch.Action == "" {
					t.Fatalf("%s without words: %+v", ch.Condition, ch)
				}
				states[ch.Condition] = ch.State
			}
		}
		var twin *alerts.Board
		steps := rapid.IntRange(10, 400).Draw(t, "steps")
		for range steps {
			if r.IntN(4) == 0 {
				whim(r, &o)
			}
			if r.IntN(60) == 0 {
				twin = thaw(t, l, c, freeze(t, b), b)
			}
			seed := r.Uint64()
			if r.IntN(10) == 0 {
				got := person(rand.New(rand.NewPCG(seed, 1)), b, o.UTC)
				take(got)
				if twin != nil {
					compare(t, got, person(rand.New(rand.NewPCG(seed, 1)), twin, o.UTC))
				}
			}
			step := time.Duration(r.IntN(20000)) * time.Millisecond
			o.At, o.UTC = o.At+step, o.UTC.Add(step)
			got := b.Judge(&o)
			take(got)
			if twin != nil {
				compare(t, got, twin.Judge(&o))
			}
		}
		for cond, s := range states {
			if b.Alarm(cond).State != s {
				t.Fatalf("%s is %s, its changes end at %s", cond, b.Alarm(cond).State, s)
			}
		}
		if twin != nil {
			if diff := cmp.Diff(string(freeze(t, b)), string(freeze(t, twin))); diff != "" {
				t.Fatalf("the memories differ in the end:\n%s", diff)
			}
		}
	})
}

func freeze(t *rapid.T, b *alerts.Board) []byte {
	data, err := json.Marshal(b.State())
	if err != nil {
		t.Fatalf("the memory has no JSON: %v", err)
	}
	return data
}

func thaw(t *rapid.T, l alerts.Limits, c alerts.Chemistry, data []byte, original *alerts.Board) *alerts.Board {
	var m alerts.Memory
	if err := json.Unmarshal(data, &m); err != nil {
		t.Fatal(err)
	}
	b, err := alerts.Restore(l, c, m, original.State().At)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func compare(t *rapid.T, a, b []alerts.Change) {
	if diff := cmp.Diff(a, b, sameChange); diff != "" {
		t.Fatalf("the restored board goes another way:\n%s", diff)
	}
}

// TestRestoreInTheMiddleOfANight: a night watched by one board and by one that is
// replaced from its JSON every hour give the same changes, corridor and all.
func TestRestoreInTheMiddleOfANight(t *testing.T) {
	l, c := zinc()
	mishap := func(h float64, _ *night, o *alerts.Observation, _ *float64) { o.Volts += 0.1 * h * h }
	var plain, broken []alerts.Change
	newNight(4, 10*time.Second).watch(alerts.NewBoard(l, c), 10*time.Hour, 6*time.Hour, mishap, func(ch alerts.Change) { plain = append(plain, ch) })
	b := alerts.NewBoard(l, c)
	n := newNight(4, 10*time.Second)
	next := time.Hour
	n.each = func(at time.Duration) {
		if at < next {
			return
		}
		next += time.Hour
		data, err := json.Marshal(b.State())
		if err != nil {
			t.Fatal(err)
		}
		var m alerts.Memory
		if err := json.Unmarshal(data, &m); err != nil {
			t.Fatal(err)
		}
		restored, err := alerts.Restore(l, c, m, m.At)
		if err != nil {
			t.Fatal(err)
		}
		*b = *restored
	}
	n.watch(b, 10*time.Hour, 6*time.Hour, mishap, func(ch alerts.Change) { broken = append(broken, ch) })
	if len(plain) == 0 {
		t.Fatal("nothing happened in the night")
	}
	if diff := cmp.Diff(plain, broken, sameChange); diff != "" {
		t.Errorf("with restarts the night goes another way:\n%s", diff)
	}
}

func TestRestoreRefusesWhatDoesNotFit(t *testing.T) {
	l, c := zinc()
	m := alerts.NewBoard(l, c).State()
	m.Version = 99
	if _, err := alerts.Restore(l, c, m, 0); err == nil {
		t.Error("a memory of another layout was taken")
	}
	var empty alerts.Memory
	if _, err := alerts.Restore(l, c, empty, 0); err == nil {
		t.Error("an empty memory was taken")
	}
}

// TestRestoreAfterDarkTime: what had not served its on-delay before the restart serves it anew.
func TestRestoreAfterDarkTime(t *testing.T) {
	r := newRig(t)
	r.run(time.Minute)
	r.o.Amperes = 3.4
	r.run(2 * time.Second)
	r.o.At += time.Hour
	r.o.UTC = r.o.UTC.Add(time.Hour)
	l, c := zinc()
	b, err := alerts.Restore(l, c, r.b.State(), r.o.At)
	if err != nil {
		t.Fatal(err)
	}
	r.b = b
	if got := only(r.run(3*time.Second), alerts.OverCurrent); len(got) != 0 {
		t.Fatalf("raised on two glimpses an hour apart: %+v", got)
	}
	if got := only(r.run(2*time.Second), alerts.OverCurrent); len(got) != 1 {
		t.Fatalf("not raised after a whole on-delay: %+v", got)
	}
}

// FuzzJudge: nothing a supply can say makes the board panic, lose its JSON, or count
// time backwards.
func FuzzJudge(f *testing.F) {
	f.Add(int64(1), int64(1), 3.0, 3.0, 6.0, 3.0, 1e3, 1e6, uint8(2), uint8(2), true)
	f.Add(int64(-5), int64(-1), math.NaN(), math.Inf(1), math.Inf(-1), 0.0, math.NaN(), 0.0, uint8(255), uint8(255), true)
	f.Add(int64(1<<60), int64(1<<60), 1e308, -1e308, 1e-308, math.MaxFloat64, -1e308, 0.0, uint8(1), uint8(1), false)
	f.Add(int64(7), int64(1), 3.0, 3.0, 6.0, 3.0, 1e3, 1e6, uint8(83), uint8(8), true)
	f.Fuzz(func(t *testing.T, at, silence int64, volts, amperes, setVolts, setAmperes, charge, target float64, mode, output uint8, reading bool) {
		l, c := zinc()
		b := alerts.NewBoard(l, c)
		r := rand.New(rand.NewPCG(uint64(at), uint64(silence)))
		for i := range 300 {
			o := healthy()
			o.At = time.Duration(i) * 30 * time.Second
			if i >= 100 && r.IntN(3) == 0 {
				o.At = time.Duration(at)
				o.HasReading, o.Silence = reading, time.Duration(silence)
				o.Volts, o.Amperes, o.SetVolts, o.SetAmperes = volts, amperes, setVolts, setAmperes
				o.Charge, o.Target, o.ChargeUncertainty, o.PlanCharge = charge, target, volts, amperes
				o.LimitingRatio, o.MarginalJoules, o.AirNeeded, o.AirStated, o.LogFree = volts, amperes, charge, target, setVolts
				o.Mode, o.Output = alerts.Mode(mode), alerts.Output(output)
			}
			for _, ch := range b.Judge(&o) {
				if ch.Text == "" {
					t.Fatalf("a change without words: %+v", ch)
				}
			}
			b.Decide(alerts.Hands{May: alerts.Permission{Off: true}, Reactions: []alerts.Reaction{{Condition: alerts.TargetReached, Do: alerts.Off}}}, alerts.Situation{Now: o.At})
			b.Diagnose(&o)
		}
		if _, err := json.Marshal(b.State()); err != nil {
			t.Fatalf("the memory has no JSON: %v", err)
		}
	})
}

// A state that there is not has a word too: the text of an alarm is no place to stop the watch.
func TestStatesThatThereAreNot(t *testing.T) {
	for n := range 256 {
		if m, o := alerts.Mode(n).String(), alerts.Output(n).String(); m == "" || o == "" || n > 3 && (m != "unknown" || o != "unknown") {
			t.Errorf("%d is %q and %q", n, m, o)
		}
	}
}
