package alerts_test

import (
	"testing"
	"time"

	"nightcell/alerts"
)

// TestFrozenNeedsManyReadings: a poll a minute that shows the same for a quarter of an
// hour is fifteen readings. They may well be alike; twenty and more are not, on a meter that
// is never still otherwise.
func TestFrozenNeedsManyReadings(t *testing.T) {
	r := newRig(t)
	r.run(3 * time.Hour) // a meter that is never still
	minutes := func(n int) []alerts.Change {
		var got []alerts.Change
		for range n {
			got = append(got, r.b.Judge(&r.o)...)
			r.o.At += time.Minute
			r.o.UTC = r.o.UTC.Add(time.Minute)
		}
		return only(got, alerts.ReadingFrozen)
	}
	if got := minutes(16); len(got) != 0 {
		t.Errorf("after a quarter of an hour: %+v", got)
	}
	if got := minutes(14); len(got) != 1 || got[0].State != alerts.UNACK {
		t.Errorf("after half an hour: %+v", got)
	}
}

// TestLittleCurrentIsNoHardShort: volts below the floor mean a short only while a good
// part of the usual current flows; a cell that somebody turned down shows little of both.
func TestLittleCurrentIsNoHardShort(t *testing.T) {
	for _, tt := range []struct {
		amperes float64
		want    int
	}{{0.55, 0}, {0.65, 1}} { // a fifth of 3 A is 0.6 A
		r := newRig(t)
		r.run(5 * time.Minute)
		r.o.Volts, r.o.Amperes = 0.4, tt.amperes
		if got := only(r.run(time.Minute), alerts.HardShort); len(got) != tt.want {
			t.Errorf("0.4 V at %v A: %+v", tt.amperes, got)
		}
	}
}

// TestSetPointsAreHeldToTheDisplay: what a display rounds is no change, what a knob does is.
func TestSetPointsAreHeldToTheDisplay(t *testing.T) {
	for _, tt := range []struct {
		volts, amperes float64
		want           int
	}{
		{6, 3.015, 0}, {6, 2.985, 0}, {6.03, 3, 0}, {5.97, 3, 0}, // half a percent and a milliunit
		{6, 3.02, 1}, {6, 2.98, 1}, {6.05, 3, 1}, {5.95, 3, 1},
	} {
		r := newRig(t)
		r.run(5 * time.Minute)
		r.o.SetVolts, r.o.SetAmperes = tt.volts, tt.amperes
		if got := only(r.run(5*time.Minute), alerts.SetPointsChanged); len(got) != tt.want {
			t.Errorf("6 V, 3 A becomes %v V, %v A: %+v", tt.volts, tt.amperes, got)
		}
	}
}

// TestAShortIsNoBaseline: a short of two hours teaches nothing, so the cell that comes back from it is not judged by it.
func TestAShortIsNoBaseline(t *testing.T) {
	r := newRig(t)
	r.run(5 * time.Minute)
	volts := r.o.Volts
	r.o.Volts = 0.15
	if got := only(r.run(2*time.Hour), alerts.HardShort); len(got) == 0 {
		t.Fatal("no hard short")
	}
	r.o.Volts = volts
	if got := only(r.run(3*time.Hour), alerts.AnodePassivation); len(got) > 0 {
		t.Errorf("judged by what the short showed: %+v", got)
	}
}
