package run

import (
	"strings"
	"testing"
	"time"
)

// fakeMachine is a machine whose clocks a test turns by hand.
type fakeMachine struct {
	mono   time.Duration // stops in suspend
	asleep time.Duration
	wall   time.Time
	bootID string
	blind  bool // the kernel does not tell the time since boot
}

func (f *fakeMachine) moment() Moment {
	m := Moment{Mono: f.mono, UTC: f.wall}
	if !f.blind {
		m.Boot, m.SinceBoot = f.bootID, f.mono+f.asleep
	}
	return m
}

// pass lets time go by on every clock.
func (f *fakeMachine) pass(d time.Duration) { f.mono += d; f.wall = f.wall.Add(d) }

var begun = time.Date(2026, 3, 28, 21, 0, 0, 0, time.UTC)

// TestWallClockSteps turns the wall clock and looks at stamps and run time.
func TestWallClockSteps(t *testing.T) {
	for _, tt := range []struct {
		name string
		turn func(f *fakeMachine)
		said string // part of what is said about it; empty: nothing
		step time.Duration
	}{
		{"an hour forward", func(f *fakeMachine) { f.wall = f.wall.Add(time.Hour) }, "forward by 1 h", time.Hour},
		{"an hour back", func(f *fakeMachine) { f.wall = f.wall.Add(-time.Hour) }, "back by 1 h", 0},
		{"a slew of 200 ms", func(f *fakeMachine) { f.wall = f.wall.Add(200 * time.Millisecond) }, "", 0},
		{"from 1970 to the present", func(f *fakeMachine) { f.wall = f.wall.AddDate(56, 0, 0) }, "forward by", begun.AddDate(56, 0, 0).Sub(begun) + 0},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := &fakeMachine{mono: time.Minute, wall: begun, bootID: "a"}
			line := newTimeline(f.moment(), 1, f.mono)
			f.pass(time.Hour)
			line.pass(f.moment())
			before := line.stamp(line.now())
			tt.turn(f)
			slept, said := line.pass(f.moment())
			if slept != 0 {
				t.Errorf("slept %v", slept)
			}
			if tt.said == "" && said != "" || !strings.Contains(said, tt.said) {
				t.Errorf("said %q, want %q", said, tt.said)
			}
			f.pass(10 * time.Second)
			line.told = f.moment()
			if got := line.now(); got != time.Hour+10*time.Second {
				t.Errorf("run time is %v after 1h0m10s", got)
			}
			after := line.stamp(line.now())
			if got := after.Sub(before) - 10*time.Second; got < tt.step-2*time.Second || got > tt.step+26*time.Hour*24 {
				t.Errorf("the stamp moved by %v beyond the time that passed, want %v", got, tt.step)
			}
			if !after.After(before) {
				t.Errorf("the stamp went back from %v to %v", before, after)
			}
			if _, again := line.pass(f.moment()); again != "" {
				t.Errorf("said twice: %q", again)
			}
		})
	}
}

// TestSuspendIsSeen stops the monotonic clock for two hours.
func TestSuspendIsSeen(t *testing.T) {
	f := &fakeMachine{mono: time.Minute, wall: begun, bootID: "a"}
	line := newTimeline(f.moment(), 1, f.mono)
	f.pass(time.Hour)
	f.asleep += 2 * time.Hour
	f.wall = f.wall.Add(2 * time.Hour)
	slept, said := line.pass(f.moment())
	if slept != 2*time.Hour || said != "" {
		t.Errorf("slept %v, said %q; want two hours and no word of a step", slept, said)
	}
	if got := line.now(); got != 3*time.Hour {
		t.Errorf("run time is %v, want the sleep counted in", got)
	}
}

// TestDarkTime asks how long nobody watched, for each way of coming back.
func TestDarkTime(t *testing.T) {
	last := landmark{At: time.Hour, UTC: begun, Boot: "a", Since: 5 * time.Hour}
	for _, tt := range []struct {
		name  string
		f     fakeMachine
		dark  time.Duration
		known bool
	}{
		{"same boot", fakeMachine{mono: 5*time.Hour + 90*time.Second, wall: begun.Add(90 * time.Second), bootID: "a"}, 90 * time.Second, true},
		{"same boot, wall clock an hour back", fakeMachine{mono: 5*time.Hour + 90*time.Second, wall: begun.Add(-time.Hour), bootID: "a"}, 90 * time.Second, true},
		{"same boot, asleep meanwhile", fakeMachine{mono: 5*time.Hour + 90*time.Second, asleep: time.Hour, wall: begun.Add(time.Hour), bootID: "a"}, time.Hour + 90*time.Second, true},
		{"reboot", fakeMachine{mono: time.Minute, wall: begun.Add(10 * time.Minute), bootID: "b"}, 10 * time.Minute, true},
		{"reboot into 1970", fakeMachine{mono: time.Minute, wall: time.Unix(30, 0).UTC(), bootID: "b"}, 0, false},
		{"no boot time, wall clock good", fakeMachine{mono: time.Minute, wall: begun.Add(10 * time.Minute), blind: true}, 10 * time.Minute, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			line, dark, known := resumeTimeline(tt.f.moment(), 1, last)
			if dark != tt.dark || known != tt.known {
				t.Errorf("dark for %v (known %v), want %v (%v)", dark, known, tt.dark, tt.known)
			}
			if got := line.now(); got != last.At+tt.dark {
				t.Errorf("run time is %v, want %v", got, last.At+tt.dark)
			}
			if line.stamp(line.now()).Before(last.UTC) {
				t.Error("the stamp went back")
			}
		})
	}
}

// TestTheClockIsSetAfterAReboot: a board without a clock of its own takes the run up with
// the time at which it was stopped, or with 1970, and hears the right one later. The dark is
// then as long as it was, also when the process was begun once more in between.
func TestTheClockIsSetAfterAReboot(t *testing.T) {
	last := landmark{At: time.Hour, UTC: begun, Boot: "a", Since: 5 * time.Hour}
	for _, tt := range []struct {
		name  string
		boots time.Time     // by the wall clock
		again bool          // the process is begun again before the clock is set
		after time.Duration // the clock is set
		want  bool          // as dark time
	}{
		{"from where it was stopped", begun.Add(2 * time.Second), false, 5 * time.Minute, true},
		{"from 1970", time.Unix(30, 0).UTC(), false, 5 * time.Minute, true},
		{"from 1970, late", time.Unix(30, 0).UTC(), false, 9 * time.Hour, true},
		{"from where it was stopped, begun again", begun.Add(2 * time.Second), true, 5 * time.Minute, true},
		{"from 1970, begun again", time.Unix(30, 0).UTC(), true, 5 * time.Minute, true},
		{"a day later somebody turns the clock", begun.Add(2 * time.Second), false, 24 * time.Hour, false},
	} {
		const dark = 3 * time.Hour
		f := &fakeMachine{mono: 20 * time.Second, wall: tt.boots, bootID: "b"}
		line, _, _ := resumeTimeline(f.moment(), 1, last)
		f.pass(tt.after)
		if _, said := line.pass(f.moment()); said != "" {
			t.Errorf("%s: said %q before the clock was set", tt.name, said)
		}
		if tt.again {
			mark := line.landmark(line.now() - 10*time.Second)
			f.pass(10 * time.Second)
			mark.newest = mark.UTC
			line, _, _ = resumeTimeline(f.moment(), 1, mark)
		}
		before := line.now()
		f.wall = begun.Add(dark + 2*time.Second + tt.after)
		slept, said := line.pass(f.moment())
		passed := line.now() - before
		if line.longer != tt.want || (passed > dark-time.Minute) != tt.want || passed > dark+time.Minute || slept != 0 || said == "" {
			t.Errorf("%s: the run's time moved on by %v (dark: %v), said %q", tt.name, passed, line.longer, said)
		}
		if off := line.stamp(line.now()).Sub(f.wall); off < -time.Second || off > time.Second {
			t.Errorf("%s: stamps are off the wall clock by %v", tt.name, off)
		}
		if _, again := line.pass(f.moment()); again != "" {
			t.Errorf("%s: said twice: %q", tt.name, again)
		}
	}
}

// TestTheClockIsSetInSteps: first to the time of the last shutdown, then by the network, and
// back again from one that was wrong. All of the dark is booked, and what is booked too much is said.
func TestTheClockIsSetInSteps(t *testing.T) {
	last := landmark{At: time.Hour, UTC: begun, Boot: "a", Since: 5 * time.Hour}
	for _, boots := range []time.Time{begun.Add(2 * time.Second), time.Unix(30, 0).UTC()} {
		f := &fakeMachine{mono: 20 * time.Second, wall: boots, bootID: "b"}
		line, _, _ := resumeTimeline(f.moment(), 1, last)
		passed := 2 * time.Second
		for _, dark := range []time.Duration{time.Minute, 3 * time.Hour} {
			f.pass(5 * time.Minute)
			passed += 5 * time.Minute
			f.wall, line.longer = begun.Add(dark+passed), false
			line.pass(f.moment())
			if off := line.now() - last.At - dark - passed; !line.longer || off.Abs() > 3*time.Second {
				t.Errorf("booted at %v, set %v further: the run's time is off by %v (dark: %v)", boots, dark, off, line.longer)
			}
		}
		f.wall = f.wall.Add(-time.Hour)
		if _, said := line.pass(f.moment()); !strings.Contains(said, "back by 1 h") || !strings.Contains(said, "settle it") {
			t.Errorf("booted at %v, set back: said %q", boots, said)
		}
		f.pass(2 * time.Hour)
		line.pass(f.moment())
		f.wall, line.longer = f.wall.Add(2*time.Hour), false // and long after, somebody turns it
		if _, said := line.pass(f.moment()); line.longer || !strings.Contains(said, "not affected") {
			t.Errorf("booted at %v, turned two hours later: said %q", boots, said)
		}
	}
}
