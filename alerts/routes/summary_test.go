package routes

import (
	"context"
	"errors"
	"fmt"
	"nightcell/alerts"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestSummaryOnceADay: at the time of the day, over a restart once; what failed is tried again, and what was missed is told late, once.
func TestSummaryOnceADay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // a bubble begins at midnight UTC
		var watched, reachable atomic.Bool
		questions := make(chan string, 10)
		phone, store := &inbox{name: "phone", answer: func(context.Context, Notice) error {
			if !reachable.Load() {
				return errors.New("no network")
			}
			return nil
		}}, &shelf{}
		options := Options{Source: &journal{}, Store: store, Summary: func(cells []string, since time.Time) (Notice, bool) {
			select {
			case questions <- fmt.Sprint(cells, since.Format(" 15:04")):
			default: // enough of them
			}
			return Notice{Cell: "zinc-1", Subject: "summary"}, watched.Load()
		}}
		asked := func() (all []string) {
			for len(questions) > 0 {
				all = append(all, <-questions)
			}
			return all
		}
		way := Way{Route: phone, Cells: []string{"zinc-1"}, Least: alerts.High, Summary: Daily{At: 7*time.Hour + 30*time.Minute, Location: time.UTC}}
		box := open(t, options, way)
		pass(7*time.Hour + 29*time.Minute)
		if early := asked(); len(early) != 0 {
			t.Fatalf("before its time: %q", early)
		}
		pass(2 * time.Minute)
		equal(t, phone.ids())
		equal(t, asked(), "[zinc-1] 00:00") // nothing was watched
		watched.Store(true)
		pass(24 * time.Hour)
		if h := box.Health()[0]; h.Failed == 0 || len(phone.ids()) != 0 {
			t.Fatalf("%+v, %v", h, phone.ids())
		}
		stop(t, box)
		pass(time.Hour) // nobody is there
		asked()
		reachable.Store(true)
		open(t, options, way)
		pass(time.Minute)
		equal(t, phone.ids(), "summary-2000-01-02T07:30:00Z")
		equal(t, asked(), "[zinc-1] 07:30")
		if n := phone.first(); n.Kind != Summary || n.Delayed < time.Hour {
			t.Errorf("%+v", n)
		}
		pass(48 * time.Hour)
		equal(t, phone.ids(), "summary-2000-01-02T07:30:00Z", "summary-2000-01-03T07:30:00Z", "summary-2000-01-04T07:30:00Z")
	})
}

// TestDaily: the next such time lies within a day and an hour, whatever clocks do that night.
func TestDaily(t *testing.T) {
	vienna, err := time.LoadLocation("Europe/Vienna")
	if err != nil {
		t.Fatal(err)
	}
	for at := time.Duration(0); at < 24*time.Hour; at += 30 * time.Minute {
		d := Daily{At: at, Location: vienna}
		for from := time.Date(2026, 3, 27, 0, 0, 0, 0, time.UTC); from.Before(time.Date(2026, 3, 31, 0, 0, 0, 0, time.UTC)); from = from.Add(17 * time.Minute) {
			next := d.after(from)
			if wait := next.Sub(from); wait <= 0 || wait > 25*time.Hour {
				t.Fatalf("after %v comes %v", from, next)
			}
			if h, m, _ := next.Clock(); time.Duration(h)*time.Hour+time.Duration(m)*time.Minute != at && next.Day() != 29 {
				t.Fatalf("at %v: %v", at, next)
			}
		}
	}
}

// TestTheLineOfALockScreen: cell, what, since when, what first, in the zone of who reads it.
func TestTheLineOfALockScreen(t *testing.T) {
	zone := time.FixedZone("there", 2*3600)
	since := time.Date(2026, 3, 28, 1, 12, 0, 0, time.UTC)
	for _, tt := range []struct {
		subject, want string
		kind          Kind
		now           time.Time
	}{
		{"zinc-1: hard-short, 0.15 V at 3 A: switch off", "zinc-1: hard-short, 0.15 V at 3 A, since 03:12: switch off", Alarm, since},
		{"zinc-1: target reached, hold at 0.2 A verified", "zinc-1: target reached, hold at 0.2 A verified, since 03:12", Alarm, since.Add(time.Hour)},
		{"zinc-1: does not answer: look", "zinc-1: does not answer, since Sat 03:12: look", Alarm, since.Add(30 * time.Hour)},
		{"zinc-1: hard-short is over", "zinc-1: hard-short is over", Cleared, since},
	} {
		if got := lineOf(Notice{Kind: tt.kind, Subject: tt.subject, Since: since}, tt.now, zone); got != tt.want {
			t.Errorf("%q, want %q", got, tt.want)
		}
	}
	if got := lineOf(Notice{Kind: Alarm, Subject: "a: b"}, since, zone); got != "a: b" {
		t.Errorf("without a beginning: %q", got)
	}
}

// TestRemindersThinOutWhileSafe: four times as long before each, of the first of the most urgent alarms alone, and as before once
// the cell is safe no more.
func TestRemindersThinOutWhileSafe(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone, live := &journal{}, &inbox{name: "phone"}, new(atomic.Bool)
		box := open(t, Options{Source: source, Safe: func(cell string) bool { return !live.Load() && cell == "zinc-1" }}, Way{Route: phone, Repeat: 10 * time.Minute})
		source.add(alarm("b", "charge-behind", alerts.Medium), alarm("low", "target-near", alerts.Low))
		pass(time.Minute)
		source.add(alarm("a", "hard-short", alerts.High), alarm("c", "lead-off", alerts.High))
		box.Wake()
		pass(39 * time.Minute)
		equal(t, phone.ids(), "b", "low", "a", "c")
		pass(2 * time.Minute) // the first wait of a is 40 min
		equal(t, phone.ids(), "b", "low", "a", "c", "a-repeat-1")
		pass(2*time.Hour + 35*time.Minute)
		equal(t, phone.ids(), "b", "low", "a", "c", "a-repeat-1")
		pass(10 * time.Minute) // the second 160 min
		equal(t, phone.ids(), "b", "low", "a", "c", "a-repeat-1", "a-repeat-2")
		source.add(closing("a-ack", "hard-short", Acknowledged, alerts.High)) // then it is the turn of the next
		box.Wake()
		pass(time.Minute)
		if ids := phone.ids(); ids[len(ids)-1] != "c-repeat-1" {
			t.Errorf("after the first is answered: %q", ids)
		}
		told := len(phone.ids())
		live.Store(true)
		pass(11 * time.Minute)
		if ids := strings.Join(phone.ids()[told:], " "); ids != "b-repeat-1 c-repeat-2" && ids != "b-repeat-1 b-repeat-2 c-repeat-2" && ids != "b-repeat-1 c-repeat-2 b-repeat-2" {
			t.Errorf("once it is safe no more: %q", ids)
		}
	})
}
