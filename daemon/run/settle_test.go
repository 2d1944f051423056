package run

import (
	"math"
	"testing"
	"time"

	"nightcell/daemon/control"
	"nightcell/integrate"
)

// TestMomentWithin reads times of day over midnight and over the days on which clocks are changed.
func TestMomentWithin(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ from, to, text, want string }{
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "22:00", "2026-01-10T22:00:00+01:00"},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "23:59", "2026-01-10T23:59:00+01:00"},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "00:00", "2026-01-11T00:00:00+01:00"},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "05:01", "2026-01-11T05:01:00+01:00"},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "21:59", ""},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "05:02", ""},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "2026-01-11T01:30:00Z", "2026-01-11T02:30:00+01:00"},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "2026-01-12T01:30:00Z", ""},
		{"2026-01-10T22:00:30+01:00", "2026-01-11T05:00:00+01:00", "at two", ""},
		{"2026-01-10T08:00:00+01:00", "2026-01-12T08:00:00+01:00", "07:00", "2026-01-11T07:00:00+01:00"},
		// Summer time begins: 02:30 is skipped.
		{"2026-03-29T01:00:00+01:00", "2026-03-29T05:00:00+02:00", "02:30", ""},
		{"2026-03-28T23:00:00+01:00", "2026-03-29T05:00:00+02:00", "03:30", "2026-03-29T03:30:00+02:00"},
		// Summer time ends: 02:30 comes twice.
		{"2026-10-25T01:00:00+02:00", "2026-10-25T05:00:00+01:00", "02:30", ""},
		{"2026-10-25T01:00:00+02:00", "2026-10-25T05:00:00+01:00", "2026-10-25T02:30:00+01:00", "2026-10-25T02:30:00+01:00"},
		{"2026-10-25T02:45:00+02:00", "2026-10-25T05:00:00+01:00", "02:30", "2026-10-25T02:30:00+01:00"},
		{"2026-10-25T01:00:00+02:00", "2026-10-25T02:15:00+01:00", "02:30", "2026-10-25T02:30:00+02:00"},
	} {
		at := func(text string) time.Time {
			moment, err := time.ParseInLocation(time.RFC3339, text, zone)
			if err != nil {
				t.Fatal(err)
			}
			return moment.In(zone)
		}
		got, err := momentWithin(tt.text, at(tt.from), at(tt.to))
		switch {
		case tt.want == "" && err == nil:
			t.Errorf("%s from %s to %s is %s, want it refused", tt.text, tt.from, tt.to, got)
		case tt.want != "" && (err != nil || !got.Equal(at(tt.want))):
			t.Errorf("%s from %s to %s: %s, %v; want %s", tt.text, tt.from, tt.to, got, err, tt.want)
		}
	}
}

// TestSettleOffKeepsTheOrder: with a current below zero, and at both ends of the gap, low is not above best nor best above high.
func TestSettleOffKeepsTheOrder(t *testing.T) {
	for _, amperes := range []float64{-3, 3} {
		count := integrate.NewCoulometer(integrate.Settings{GapAfter: 10 * time.Second})
		for _, at := range []time.Duration{0, time.Hour} {
			if _, err := count.Add(integrate.Sample{At: at, Volts: 3, Amperes: amperes}, integrate.Evidence{LimitAmperes: 5}); err != nil {
				t.Fatal(err)
			}
		}
		f := &fakeMachine{wall: begun, bootID: "a"}
		r := &Run{count: count, time: newTimeline(f.moment(), 1, 0)}
		for _, after := range []time.Duration{0, 30 * time.Second, 30 * time.Minute, time.Hour} {
			off := control.Entry{Numbers: map[string]float64{control.GapIndex: 0}, Words: map[string]string{control.GapOff: begun.Add(after).Format(time.RFC3339)}}
			e, err := r.settleOff(off, time.UTC)
			if err != nil {
				t.Fatal(err)
			}
			low, best, high := e.Numbers["low"], e.Numbers["best"], e.Numbers["high"]
			if want := amperes * after.Seconds(); math.Abs(best-want) > 1e-9 || low > want || high < want {
				t.Errorf("%v A, off after %v: %+v, want %v C", amperes, after, e, want)
			}
			if err := count.Settle(0, low, best, high); err != nil {
				t.Error(err)
			}
		}
	}
}
