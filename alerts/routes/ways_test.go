package routes

import (
	"context"
	"errors"
	"fmt"
	"nightcell/alerts"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

func TestReminderUntilSomebodyAnswers(t *testing.T) {
	for _, answer := range []Kind{Acknowledged, Quieted, Cleared} {
		synctest.Test(t, func(t *testing.T) {
			source, phone := &journal{}, &inbox{name: "phone"}
			box := open(t, Options{Source: source}, Way{Route: phone, Repeat: 10 * time.Minute})
			source.add(alarm("a", "over-current", alerts.High))
			box.Wake()
			pass(35 * time.Minute)
			equal(t, phone.ids(), "a", "a-repeat-1", "a-repeat-2", "a-repeat-3")
			if n := phone.got[2]; n.Repeat != 2 || n.Kind != Alarm || n.Delayed != 0 {
				t.Errorf("the second reminder is %+v", n)
			}
			source.add(closing("b", "over-current", answer, alerts.High))
			box.Wake()
			pass(3 * time.Hour)
			want := []string{"a", "a-repeat-1", "a-repeat-2", "a-repeat-3"}
			if answer == Cleared {
				want = append(want, "b")
			}
			equal(t, phone.ids(), want...)
		})
	}
}

func TestTheAnswerIsPassedOnWhereWanted(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, team := &journal{}, &inbox{name: "team"}
		box := open(t, Options{Source: source}, Way{Route: team, ReportAcknowledged: true})
		source.add(alarm("a", "contact", alerts.Medium), closing("b", "contact", Acknowledged, alerts.Low), closing("c", "contact", Cleared, alerts.Low))
		flush(t, box)
		equal(t, team.ids(), "a", "b", "c")
		if team.got[2].Priority != alerts.Medium {
			t.Errorf("what closes an alarm of priority medium is told as %s", team.got[2].Priority)
		}
	})
}

func TestEscalation(t *testing.T) {
	for name, c := range map[string]struct {
		after   time.Duration // when the answer comes; 0: never
		answer  Kind
		partner []string
	}{
		"nobody answers":       {0, "", []string{"a", "a-repeat-1"}},
		"acknowledged in time": {10 * time.Minute, Acknowledged, nil},
		"over in time":         {10 * time.Minute, Cleared, nil},
		"acknowledged late":    {20 * time.Minute, Acknowledged, []string{"a"}},
		"over late":            {20 * time.Minute, Cleared, []string{"a", "end"}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				source, first, partner := &journal{}, &inbox{name: "first"}, &inbox{name: "partner"}
				box := open(t, Options{Source: source}, Way{Route: first},
					Way{Route: partner, After: 15 * time.Minute, Repeat: 30 * time.Minute})
				source.add(alarm("a", "hard-short", alerts.Highest), closing("m", "target-near", Milestone, alerts.Low))
				box.Wake()
				if c.after > 0 {
					pass(c.after)
					source.add(closing("end", "hard-short", c.answer, alerts.Highest))
					box.Wake()
				}
				pass(time.Hour - c.after)
				equal(t, partner.ids(), c.partner...)
				if len(first.ids()) < 2 {
					t.Errorf("the first route got %v", first.ids())
				}
			})
		})
	}
}

// An alarm that comes and goes while it waits must not push the escalation away for ever.
func TestAnAlarmRaisedAgainIsEscalatedInTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, partner := &journal{}, &inbox{name: "partner"}
		box := open(t, Options{Source: source}, Way{Route: partner, After: 15 * time.Minute})
		for i := range 4 {
			source.add(alarm(fmt.Sprint("a", i), "whisker", alerts.High))
			box.Wake()
			pass(5 * time.Minute)
		}
		pass(time.Minute)
		equal(t, partner.ids(), "a0")
		source.add(closing("k", "whisker", Acknowledged, alerts.High), alarm("b", "whisker", alerts.High))
		box.Wake()
		pass(16 * time.Minute)
		equal(t, partner.ids(), "a0", "b")
	})
}

// When a run ends nobody can answer its alarms, so nobody is reminded of them.
func TestTheEndOfARunEndsItsReminders(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone, partner, night := &journal{}, &inbox{name: "phone"}, &inbox{name: "partner"}, &inbox{name: "night"}
		box := open(t, Options{Source: source}, Way{Route: phone, Repeat: 20 * time.Minute, Least: alerts.Medium},
			Way{Route: partner, After: 30 * time.Minute, Repeat: 20 * time.Minute},
			Way{Route: night, Repeat: 20 * time.Minute, Quiet: Quiet{From: 22 * time.Hour, To: 7 * time.Hour}})
		other := alarm("other", "contact", alerts.High)
		other.Cell = "zinc-2"
		source.add(alarm("a", "target-reached", alerts.High), alarm("b", "charge-behind", alerts.Medium), other)
		box.Wake()
		pass(25 * time.Minute)
		end := alarm("end", "", alerts.Low)
		end.Kind = Ended
		source.add(end)
		box.Wake()
		pass(10 * time.Hour)
		for _, route := range []*inbox{phone, partner, night} {
			var ids []string
			for _, id := range route.ids() {
				if !strings.HasPrefix(id, "other") {
					ids = append(ids, id)
				}
			}
			equal(t, ids, map[string][]string{
				"phone": {"a", "b", "a-repeat-1", "b-repeat-1"}, "partner": nil, "night": {"a", "a-repeat-1", "b", "end"},
			}[route.name]...)
			if len(route.ids()) < 20 {
				t.Errorf("%s: the alarm of another cell was closed too: %v", route.name, route.ids())
			}
		}
	})
}

// An alarm that was due while the route was dead is told, though it is over by then.
func TestAnEscalationThatCouldNotGoOutIsNotForgotten(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		began := time.Now()
		source := &journal{}
		partner := &inbox{name: "partner", answer: func(context.Context, Notice) error {
			if time.Since(began) < 3*time.Hour {
				return errors.New("no network")
			}
			return nil
		}}
		box := open(t, Options{Source: source}, Way{Route: partner, After: 15 * time.Minute})
		source.add(alarm("a", "hard-short", alerts.Highest))
		box.Wake()
		pass(time.Hour)
		source.add(closing("over", "hard-short", Cleared, alerts.Highest))
		box.Wake()
		pass(3 * time.Hour)
		equal(t, partner.ids(), "a", "over")
	})
}

// TestNewsOfTheHighestPriorityGoesOverEveryRoute, whatever a route is kept for.
func TestNewsOfTheHighestPriorityGoesOverEveryRoute(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		plain, partner, urgent, asleep := &inbox{name: "plain"}, &inbox{name: "partner"}, &inbox{name: "urgent"}, &inbox{name: "asleep"}
		box := open(t, Options{Source: source}, Way{Route: plain}, Way{Route: partner, After: 15 * time.Minute},
			Way{Route: urgent, Least: alerts.Highest}, Way{Route: asleep, Quiet: Quiet{From: 22 * time.Hour, To: 7 * time.Hour}})
		source.add(closing("done", "", Milestone, alerts.Medium), closing("slip", "", Milestone, alerts.Highest))
		flush(t, box)
		equal(t, plain.ids(), "done", "slip")
		equal(t, partner.ids(), "slip")
		equal(t, urgent.ids(), "slip")
		equal(t, asleep.ids(), "slip")
	})
}

func TestQuietHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // a bubble begins at midnight UTC
		source, phone := &journal{}, &inbox{name: "phone"}
		quiet := Quiet{From: 22 * time.Hour, To: 7 * time.Hour}
		store := &shelf{}
		options := Options{Source: source, Store: store}
		box := open(t, options, Way{Route: phone, Quiet: quiet, Repeat: time.Hour})
		source.add(alarm("low", "charge-behind", alerts.Low), alarm("high", "hard-short", alerts.High), closing("news", "", Milestone, alerts.Medium))
		source.add(closing("low-over", "charge-behind", Cleared, alerts.Low), closing("high-ack", "hard-short", Acknowledged, alerts.High))
		flush(t, box)
		equal(t, phone.ids(), "high")
		if h := box.Health()[0]; h.Lag != 0 {
			t.Errorf("what is held on purpose counts as late: %v", h.Lag)
		}
		pass(3 * time.Hour)
		stop(t, box) // a restart at night forgets nothing
		box = open(t, options, Way{Route: phone, Quiet: quiet, Repeat: time.Hour})
		pass(3*time.Hour + 59*time.Minute)
		equal(t, phone.ids(), "high")
		pass(2 * time.Minute)
		equal(t, phone.ids(), "high", "low", "news") // that something of low priority is over is no news
		source.add(alarm("day", "contact", alerts.Medium))
		box.Wake()
		pass(time.Minute)
		pass(14*time.Hour + 50*time.Minute) // reminders each hour, until 22:00
		ids := phone.ids()
		if n := len(ids); n != 3+1+14 {
			t.Errorf("%d notices by the evening: %v", n, ids)
		}
		pass(8 * time.Hour)
		if len(phone.ids()) != len(ids) {
			t.Errorf("reminders of low priority went out at night: %v", phone.ids()[len(ids):])
		}
	})
}

func TestQuietHoursHold(t *testing.T) {
	at := func(h, m int) time.Time { return time.Date(2026, 3, 1, h, m, 0, 0, time.UTC) }
	night, noon := Quiet{From: 22 * time.Hour, To: 7 * time.Hour}, Quiet{From: 12 * time.Hour, To: 13 * time.Hour}
	east := night
	east.Location = time.FixedZone("east", 5*3600)
	for _, c := range []struct {
		quiet Quiet
		at    time.Time
		want  bool
	}{
		{night, at(21, 59), false}, {night, at(22, 0), true}, {night, at(6, 59), true}, {night, at(7, 0), false},
		{noon, at(11, 59), false}, {noon, at(12, 0), true}, {noon, at(13, 0), false},
		{east, at(16, 59), false}, {east, at(17, 0), true}, {east, at(2, 0), false}, {Quiet{}, at(3, 0), false},
	} {
		if got := c.quiet.at(c.at); got != c.want {
			t.Errorf("%v-%v %v at %v: %v", c.quiet.From, c.quiet.To, c.quiet.Location, c.at, got)
		}
	}
}

func TestOnlyWhatTheRouteCarries(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, pager := &journal{}, &inbox{name: "pager"}
		box := open(t, Options{Source: source}, Way{Route: pager, Least: alerts.High, Cells: []string{"zinc-1"}})
		other := alarm("other", "hard-short", alerts.Highest)
		other.Cell = "zinc-2"
		drill := alarm("drill", "", alerts.High)
		drill.Kind = Drill
		source.add(alarm("low", "contact", alerts.Medium), other, drill, alarm("high", "hard-short", alerts.High))
		flush(t, box)
		equal(t, pager.ids(), "high")
	})
}
