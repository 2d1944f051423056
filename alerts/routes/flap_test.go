package routes

import (
	"fmt"
	"nightcell/alerts"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestAnAlarmThatComesAndGoes: its first telling and its end are not delayed; what comes again soon is told only if it lasts until a reminder
// is due, or later with its count; what somebody answered, what is worse, another condition, and the most urgent are news each time.
func TestAnAlarmThatComesAndGoes(t *testing.T) {
	const repeat = 15 * time.Minute
	type spell struct {
		at, lasts time.Duration // lasts 0: until the end
		condition string
		priority  alerts.Priority
		answer    Kind // Cleared if empty
	}
	m, h := time.Minute, time.Hour
	for name, c := range map[string]struct {
		way    Way
		spells []spell
		want   string // condition, + for raised and - for cleared, the minute, and how often it was raised
	}{
		"soon":        {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {30 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5"},
		"it lasts":    {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.High, ""}, {30 * m, 20 * m, "line-lost", alerts.High, ""}}, "line-lost+0 line-lost-5 line-lost+45x2 line-lost-50"},
		"counted":     {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {50 * m, 5 * m, "line-lost", alerts.Medium, ""}, {130 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5 line-lost+130x3 line-lost-135"},
		"longer then": {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {115 * m, 5 * m, "line-lost", alerts.Medium, ""}, {225 * m, 5 * m, "line-lost", alerts.Medium, ""}, {400 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5 line-lost+225x3 line-lost-230"},
		"not urgent ones": {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.High, ""}, {115 * m, 5 * m, "line-lost", alerts.High, ""}, {225 * m, 5 * m, "line-lost", alerts.High, ""}, {340 * m, 5 * m, "line-lost", alerts.High, ""}, {346 * m, 5 * m, "line-lost", alerts.High, ""}},
			"line-lost+0 line-lost-5 line-lost+225x3 line-lost-230 line-lost+346x5 line-lost-351"},
		"rarely":               {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {2 * h, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5 line-lost+120 line-lost-125"},
		"another":              {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {30 * m, 5 * m, "contact", alerts.Medium, ""}}, "line-lost+0 line-lost-5 contact+30 contact-35"},
		"worse":                {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {30 * m, 5 * m, "line-lost", alerts.High, ""}}, "line-lost+0 line-lost-5 line-lost+30x2 line-lost-35"},
		"most urgent":          {Way{Repeat: repeat}, []spell{{0, 5 * m, "hard-short", alerts.Highest, ""}, {30 * m, 5 * m, "hard-short", alerts.Highest, ""}}, "hard-short+0 hard-short-5 hard-short+30 hard-short-35"},
		"acknowledged":         {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, Acknowledged}, {30 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5 line-lost+30 line-lost-35"},
		"a new run":            {Way{Repeat: repeat}, []spell{{0, 5 * m, "line-lost", alerts.Medium, Ended}, {30 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost+30 line-lost-35"},
		"kept by the far side": {Way{Repeat: repeat, Route: &keeper{}}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {30 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5 line-lost+30 line-lost-35"},
		"no reminders":         {Way{}, []spell{{0, 5 * m, "line-lost", alerts.Medium, ""}, {30 * m, 5 * m, "line-lost", alerts.Medium, ""}}, "line-lost+0 line-lost-5 line-lost+30 line-lost-35"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				source, phone, store := &journal{}, &inbox{name: "phone"}, &shelf{}
				if k, ok := c.way.Route.(*keeper); ok {
					phone = &k.inbox
					phone.name = "phone"
				} else {
					c.way.Route = phone
				}
				begin := func() *Outbox {
					box, err := NewOutbox(Options{Source: source, Store: store, Clock: wall{}}, c.way)
					if err != nil {
						t.Fatal(err)
					}
					box.Start()
					return box
				}
				began, id := time.Now(), 0
				add := func(box *Outbox, n Notice) {
					id++
					n.ID = fmt.Sprint(id)
					source.add(n)
					box.Wake()
				}
				box := begin()
				for _, s := range c.spells {
					pass(s.at - time.Since(began))
					add(box, alarm("", s.condition, s.priority))
					pass(s.lasts)
					if s.answer == "" {
						s.answer = Cleared
					}
					add(box, closing("", s.condition, s.answer, s.priority))
					if s.answer == Acknowledged {
						add(box, closing("", s.condition, Cleared, s.priority))
					}
					pass(time.Second)
					stop(t, box) // what comes and goes is known over a restart
					box = begin()
				}
				pass(10 * time.Minute)
				stop(t, box)
				var got []string
				for _, n := range phone.got {
					if n.Kind == Ended || n.Kind == Acknowledged {
						continue
					}
					sign := map[Kind]string{Alarm: "+", Cleared: "-"}[n.Kind]
					at := n.At
					if n.Repeat > 0 {
						at = at.Add(time.Duration(n.Repeat) * repeat)
					}
					line := fmt.Sprintf("%s%s%.0f", n.Condition, sign, at.Sub(began).Minutes())
					if n.Times > 1 {
						line += fmt.Sprintf("x%d", n.Times)
					}
					if strings.Contains(n.Subject, fmt.Sprintf("raised %d times", n.Times)) != (n.Times > 1) {
						t.Errorf("the subject of %s is %q", line, n.Subject)
					}
					if n.Times > 1 && n.Thread != "1" {
						t.Errorf("%s belongs to %q", line, n.Thread)
					}
					got = append(got, line)
				}
				if strings.Join(got, " ") != c.want {
					t.Errorf("got  %s\nwant %s", strings.Join(got, " "), c.want)
				}
			})
		})
	}
}
