package routes

import (
	"nightcell/alerts"
	"slices"
	"testing"
	"testing/synctest"
	"time"
)

func follower(id, condition, after string, p alerts.Priority) Notice {
	n := alarm(id, condition, p)
	n.After = after
	return n
}

// A follower of an alarm that is repeated is told once. When nobody is called by the first alarm any more, it repeats
// itself, a whole wait later.
func TestFollowersDoNotRepeatBesideTheirFirst(t *testing.T) {
	for _, end := range []Kind{Acknowledged, Cleared, Quieted} {
		synctest.Test(t, func(t *testing.T) {
			source, phone := &journal{}, &inbox{name: "phone"}
			box := open(t, Options{Source: source}, Way{Route: phone, Repeat: 10 * time.Minute})
			source.add(alarm("a", "hard-short", alerts.Highest))
			flush(t, box)
			pass(time.Second)
			source.add(follower("b", "over-current", "hard-short", alerts.High))
			flush(t, box)
			pass(25 * time.Minute)
			equal(t, phone.ids(), "a", "b", "a-repeat-1", "a-repeat-2")
			source.add(closing("c", "hard-short", end, alerts.Highest))
			flush(t, box)
			told := len(phone.ids())
			pass(4 * time.Minute)
			if got := phone.ids(); len(got) != told {
				t.Errorf("%s: a reminder comes right after the answer: %q", end, got)
			}
			pass(7 * time.Minute)
			if got := phone.ids(); len(got) != told+1 || got[told] != "b-repeat-1" {
				t.Errorf("%s: the follower that still stands is not repeated: %q", end, got)
			}
		})
	}
}

// What is more urgent than what it follows repeats, and so does what follows an alarm that this route never told;
// two that came after each other in turn do not silence each other.
func TestFollowersThatRepeatAllTheSame(t *testing.T) {
	elsewhere := follower("b", "over-current", "whisker", alerts.High)
	elsewhere.Cell = "zinc-2"
	for name, tt := range map[string]struct {
		least    alerts.Priority
		notices  []Notice
		reminder string
	}{
		"more urgent": {alerts.Low, []Notice{alarm("a", "whisker", alerts.Medium), follower("b", "hard-short", "whisker", alerts.Highest)}, "b-repeat-1"},
		"never told":  {alerts.High, []Notice{alarm("a", "whisker", alerts.Medium), follower("b", "hard-short", "whisker", alerts.High)}, "b-repeat-1"},
		"in turn":     {alerts.Low, []Notice{follower("a", "whisker", "hard-short", alerts.High), follower("b", "hard-short", "whisker", alerts.High)}, "a-repeat-1"},
		"other cell":  {alerts.Low, []Notice{alarm("a", "whisker", alerts.High), elsewhere}, "b-repeat-1"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				source, phone := &journal{}, &inbox{name: "phone"}
				box := open(t, Options{Source: source}, Way{Route: phone, Repeat: 10 * time.Minute, Least: tt.least})
				for _, n := range tt.notices {
					n.At = time.Now().UTC()
					source.add(n)
					flush(t, box)
					pass(time.Second)
				}
				pass(11 * time.Minute)
				if !slices.Contains(phone.ids(), tt.reminder) {
					t.Errorf("told %q, not %s", phone.ids(), tt.reminder)
				}
			})
		})
	}
}
