package run

import (
	"math"
	"nightcell/alerts"
	"nightcell/drivers"
	"nightcell/integrate"
	"strings"
	"testing"
	"time"
)

// TestTheMostThatCouldHaveFlowed tries every state of knowledge.
func TestTheMostThatCouldHaveFlowed(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		name                    string
		before, now, most, want float64
		swapped                 bool
	}{
		{"both set-points", 3, 2, 5, 3, false},
		{"only before", 3, nan, 5, 3, false},
		{"only now", nan, 2, 5, 2, false},
		{"none: what the supply can do", nan, nan, 5, 5, false},
		{"none, range not stated: the limit", nan, nan, nan, 3.3, false},
		{"another instrument", 3, 2, 5, 5, true},
		{"a garbled set-point", 3, 30000, 5, 5, false},
	} {
		r := &Run{settings: Settings{MostAmperes: drivers.Amperes(tt.most), Limits: alerts.Limits{Amperes: 3.3}}, points: setPoints{Amperes: drivers.Amperes(tt.before)}}
		r.supply.Swapped, r.supply.Status.SetAmperes = tt.swapped, drivers.Amperes(tt.now)
		if got := r.most(); got != tt.want {
			t.Errorf("%s: %v A, want %v A", tt.name, got, tt.want)
		}
	}
}

// TestWordsOfAnInterruption says for each kind of metal what a dark time means.
func TestWordsOfAnInterruption(t *testing.T) {
	zinc := alerts.Chemistry{RedissolvesOff: true, InterruptionLimit: time.Minute}
	nickel := alerts.Chemistry{SpoiledByPause: true, InterruptionLimit: 10 * time.Second}
	for _, tt := range []struct {
		name     string
		ch       alerts.Chemistry
		length   time.Duration
		measured bool
		on       bool
		want     string
	}{
		{"zinc, untouched", zinc, time.Hour, true, true, "very likely continued"},
		{"zinc, changed", zinc, time.Hour, false, true, "if the current was off: this bath has dissolved"},
		{"zinc, off before and after", zinc, time.Hour, true, false, "off before and after, and very likely throughout: this bath has dissolved"},
		{"zinc, a moment", zinc, 30 * time.Second, false, true, "the deposit tolerates that"},
		{"nickel, changed", nickel, time.Minute, false, true, "may peel"},
		{"copper, changed", alerts.Chemistry{}, time.Hour, false, true, "passed"},
		{"copper, off before and after", alerts.Chemistry{}, time.Hour, true, false, "very likely throughout"},
	} {
		got := interruption(tt.ch, integrate.Gap{To: tt.length, High: 3600, Measured: tt.measured}, tt.on)
		if !strings.Contains(got, tt.want) || tt.want == "passed" && !strings.HasSuffix(got, tt.want) {
			t.Errorf("%s: %q, want %q", tt.name, got, tt.want)
		}
	}
}
