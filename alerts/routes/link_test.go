package routes

import (
	"strings"
	"testing"
)

// TestEveryPersonHasALinkOfTheirOwn: a letter carries the link of whom it is to, other routes that of the route; whatever
// the link, no route is asked for one longer than it may be.
func TestEveryPersonHasALinkOfTheirOwn(t *testing.T) {
	h := serveMail(t, &mailHost{offersTLS: true})
	people := []string{"a@lab.example", "b@lab.example"}
	hook, log := &inbox{name: "hook"}, &journal{}
	log.add(alarm("a1", "hard-short", High))
	long := strings.Repeat("x", longestLink)
	box := open(t, Options{Source: log, Link: func(route, person string, n Notice) string {
		return "https://bench.example/alarm/" + route + "-" + person + "-" + n.ID + "#" + long
	}}, Way{Route: email(t, h, EmailSettings{To: people})}, Way{Route: hook})
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
