package drill_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"nightcell/alerts"
)

// step lowers the simulated supply's current by hand, as an operator who wants to know
// would, and tells the board what came of it. It returns the board's words.
func (w *watcher) step(t *testing.T, at time.Duration, amperes float64) string {
	t.Helper()
	var s alerts.StepTest
	take := func(add func(v, a float64)) {
		for range 8 {
			at += time.Second
			r, err := w.supply.Observe(1, at)
			if err != nil {
				t.Fatal(err)
			}
			add(float64(r.Volts), float64(r.Amperes))
		}
	}
	take(s.Before)
	w.supply.Handle([]byte(fmt.Sprintf("CURR %g\n", amperes)))
	take(s.After)
	result, err := s.Result()
	if err != nil {
		t.Fatal(err)
	}
	w.board.Expect(6, amperes)
	w.asked = -time.Hour
	return w.board.Stepped(result)
}

// TestStepTellsOhmicFromOther: the same rise of half a volt, once of the diaphragm and
// once of the anode, is told apart by two small steps down.
func TestStepTellsOhmicFromOther(t *testing.T) {
	for _, tt := range []struct {
		name, script string
		ohmic        bool
		likeliest    string
	}{
		{"diaphragm", event + `"clogging"` + "\nohms_per_hour = 0.15", true, "level"},
		{"anode", event + `"passivation"` + "\nvolts = 0.5\nover = \"20 min\"", false, "anode"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := drill{name: tt.name, script: tt.script}
			w := newWatcher(t, d.scenario(t, 3), 3, setting{})
			begin := onset(3, false)
			var said string
			for at := time.Duration(0); at < begin+time.Hour; at += w.poll {
				w.look(at)
				switch at.Round(time.Minute) {
				case 4*time.Hour + 30*time.Minute:
					if said == "" {
						said = w.step(t, at, 2.9)
						at += 20 * time.Second
					}
				}
			}
			if !strings.Contains(said, "reference") {
				t.Fatalf("the first step: %s", said)
			}
			said = w.step(t, begin+time.Hour, 2.8)
			t.Log(said)
			o := alerts.Blank(begin+time.Hour, evening)
			o.Volts, o.Amperes, o.Mode = float64(w.before.Volts), float64(w.before.Amperes), alerts.ConstantCurrent
			got := w.board.Diagnose(&o)
			t.Log(got)
			if !strings.Contains(got.Likeliest, tt.likeliest) || !strings.Contains(got.Evidence, "ohmic by step test") {
				t.Errorf("diagnosis %s", got)
			}
		})
	}
}
