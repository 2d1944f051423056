package routes

import (
	"nightcell/alerts"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestEveryPersonHasALinkOfTheirOwn: a letter carries the link of whom it is to, other routes that of the route; whatever
// the link, no route is asked for one longer than it may be.
func TestEveryPersonHasALinkOfTheirOwn(t *testing.T) {
	h := serveMail(t, &mailHost{offersTLS: true})
	people := []string{"a@lab.example", "b@lab.example"}
	hook, log := &inbox{name: "hook"}, &journal{}
	log.add(alarm("a1", "hard-short", alerts.High))
	long := strings.Repeat("x", longestLink)
	box := open(t, Options{Source: log, Link: func(route, person string, n Notice) string {
		return "https://bench.example/alarm/" + route + "-" + person + "-" + n.ID + "#" + long
	}}, Way{Route: email(t, h, Settings{To: people})}, Way{Route: hook})
	flush(t, box)
	for i, letter := range h.taken() {
		_, body := parts(t, letter.data)
		for kind, text := range body {
			want, other := "alarm/mail-"+people[i]+"-a1", people[1-i]
			if kind == "text/html" {
				want, other = strings.ReplaceAll(want, "@", "%40"), strings.ReplaceAll(other, "@", "%40")
			}
			if !strings.Contains(string(text), want) && !strings.Contains(string(text), strings.ReplaceAll(want, "%40", "@")) || strings.Contains(string(text), other) {
				t.Errorf("to %s, %s: %s", letter.to, kind, text)
			}
		}
	}
	if len(h.taken()) != 2 || !strings.HasPrefix(hook.got[0].Link, "https://bench.example/alarm/hook--a1#") || len([]rune(hook.got[0].Link)) != longestLink+1 {
		t.Errorf("%d letters; the hook has %q", len(h.taken()), hook.got[0].Link)
	}
}

// TestAnAlertCarriesTheLinkOfItsAlarm: as an annotation, which is no part of what tells alerts apart, and in each renewal too.
func TestAnAlertCarriesTheLinkOfItsAlarm(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, k := &journal{}, &keeper{inbox: inbox{name: "rota"}}
		var renewed []Notice
		k.seen = func(n []Notice) { renewed = n }
		box := open(t, Options{Source: source, Link: func(route, person string, n Notice) string {
			return "https://bench.example/alarm/" + route + person + "-" + n.Condition
		}}, Way{Route: k})
		source.add(alarm("a", "hard-short", alerts.Highest))
		flush(t, box)
		pass(2 * time.Minute)
		stop(t, box)
		a := &Alertmanager{every: time.Minute}
		for _, n := range append(renewed, k.first()) {
			if got := a.alert(n); got.Annotations["link"] != "https://bench.example/alarm/rota-hard-short" || got.Labels["link"] != "" {
				t.Errorf("the alert is %+v", got)
			}
		}
		if len(renewed) != 1 {
			t.Errorf("renewed: %v", renewed)
		}
		if got := a.alert(alarm("b", "contact", alerts.High)).Annotations; got["link"] != "" {
			t.Errorf("without public_url: %v", got)
		}
	})
}
