package routes

import (
	"context"
	"math"
	"nightcell/alerts"
	"nightcell/configs/quantity"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// TestWhatIsToldAgainIsOfNow: a reminder, and the first telling on a route that waits, carry the figures and the picture
// of when they are sent, and say how old the alarm is; the first telling carries those of the alarm.
func TestWhatIsToldAgainIsOfNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone, second := &journal{}, &inbox{name: "phone"}, &inbox{name: "second"}
		began := time.Now().UTC()
		box := open(t, Options{
			Source: source, Present: func(cell string) map[string]float64 {
				return map[string]float64{"reading_amperes": time.Since(began).Minutes()}
			},
			Picture: func(_ context.Context, n Notice) ([]byte, error) { return []byte(n.Sent.String()), nil },
		}, Way{Route: phone, Pictures: true, Repeat: 10 * time.Minute}, Way{Route: second, Pictures: true, After: 30 * time.Minute})
		n := alarm("a", "over-current", alerts.High)
		n.At, n.Since = began, began.Add(-5*time.Minute)
		n.Values = map[string]float64{"reading_amperes": 4.1, "found_amperes": 4.1, "limit_amperes": 3.3}
		source.add(n)
		pass(31 * time.Minute)
		flush(t, box)
		got := append(slices.Clone(phone.got), second.got...)
		ids := strings.Join(append(phone.ids(), second.ids()...), " ")
		if ids != "a a-repeat-1 a-repeat-2 a-repeat-3 a" {
			t.Fatalf("told %s", ids)
		}
		if n := got[0]; n.Values["reading_amperes"] != 4.1 || n.Values["found_amperes"] != 4.1 || !n.Sent.IsZero() || n.Age() != 0 || string(n.Picture) != n.Sent.String() {
			t.Errorf("the first telling carries %v of %v", n.Values, n.Sent)
		}
		for i, after := range []float64{10, 20, 30, 30} {
			n := got[i+1]
			_, old := n.Values["found_amperes"]
			sent := n.Values["reading_amperes"] // min; reminders wait for followers first
			if sent < after || sent > after+0.5 || n.Values["limit_amperes"] != 3.3 || old ||
				math.Abs(n.Values["alarm_age_seconds"]-(sent+5)*60) > 1e-6 || math.Abs(n.Age().Minutes()-sent-5) > 1e-6 || string(n.Picture) != n.Sent.String() {
				t.Errorf("%s after %g min carries %v, age %v", n.ID, after, n.Values, n.Age())
			}
			if want := "The alarm is " + quantity.Duration(n.Age()) + " old. Figures and picture date from "; !strings.Contains(builtIn().Compose(n).Text, want) || !strings.Contains(builtIn().Compose(n).HTML, want) {
				t.Errorf("%s does not say its age:\n%s", n.ID, builtIn().Compose(n).Text)
			}
		}
	})
}
