package linecharge

import (
	"fmt"
	"maps"
	"slices"
	"testing"
	"time"

	"nightcell/drivers"
)

// steady is a current that does not change.
func steady(time.Duration) current { return drift{first: 3} }

// spaced lets one kind of fault strike n answers, each behind clean ones, at a place that moves along the answer.
func spaced(what wrong, n int) []fault {
	var list []fault
	for i := range n {
		list = append(list, make([]fault, 7)...)
		list = append(list, fault{what, 3 * i, uint(i % 7)})
	}
	return list
}

// TestEachKindIsCountedByReason strikes with one kind of fault at a time, and looks by
// which reasons the answers were refused, and that the line was found good after each.
func TestEachKindIsCountedByReason(t *testing.T) {
	for _, tt := range []struct {
		what     wrong
		separate bool
		reasons  []drivers.Reason // each must have been counted
	}{
		{late, false, []drivers.Reason{drivers.NoReply}},
		{late, true, []drivers.Reason{drivers.NoReply}},
		{swapped, false, []drivers.Reason{drivers.NoReply}},
		{swapped, true, []drivers.Reason{drivers.NoReply}},
		{lost, false, []drivers.Reason{drivers.NoReply}},
		{clipped, false, []drivers.Reason{drivers.NoReply}},
		{merged, false, []drivers.Reason{drivers.NoReply}},
		{merged, true, []drivers.Reason{drivers.NoReply}},
		{carriage, false, []drivers.Reason{drivers.NoReply}},
		{baud, false, []drivers.Reason{drivers.NoReply}},
		{parity, false, []drivers.Reason{drivers.NotNumeric}},
		{noise, false, []drivers.Reason{drivers.NotNumeric}},
		{blank, false, []drivers.Reason{drivers.Blank}},
		{onlyEcho, false, []drivers.Reason{drivers.Echo}},
		{echoed, false, []drivers.Reason{drivers.Unasked}},
		{twice, false, []drivers.Reason{drivers.Unasked}},
		{dropped, false, []drivers.Reason{drivers.NotNumeric}},
		{flipped, false, []drivers.Reason{drivers.NotNumeric}},
		{notANumber, false, []drivers.Reason{drivers.NotANumber}},
		{infinite, false, []drivers.Reason{drivers.Overflow}},
		{saturated, false, []drivers.Reason{drivers.BeyondCurrent}},
		{saturated, true, []drivers.Reason{drivers.BeyondCurrent}},
		{another, false, []drivers.Reason{drivers.Misidentified}},
		{slow, false, nil},   // late within the time-out: right, and taken
		{frozen, false, nil}, // of a steady supply: right
		{hangUp, false, nil}, // the line is opened anew
	} {
		t.Run(fmt.Sprintf("%v, separate %v", tt.what, tt.separate), func(t *testing.T) {
			t.Parallel()
			const strikes = 6
			only := "MEAS:"
			if tt.what == saturated {
				only = "CURR" // the same number of volts would be possible
			}
			v, err := trial{flows: steady, faults: spaced(tt.what, strikes), only: only, separate: tt.separate}.run(t)
			if err != nil {
				t.Fatal(err)
			}
			if !v.inside() {
				t.Errorf("the truth is outside: %v", v)
			}
			for _, r := range tt.reasons {
				if v.refused[string(r)] == 0 {
					t.Errorf("none refused as %s: %v", r, v)
				}
			}
			t.Logf("%d struck; refused %v; %d polls brought no reading; gaps %d; off by %+.3f C of %.1f C",
				strikes, sorted(v.refused), v.shown.Poll.Bad, v.totals.Gaps, v.off, v.truth)
			delete(v.refused, string(drivers.NoReply)) // a busy machine may miss a time-out,
			delete(v.refused, string(drivers.Unasked)) // and the answer comes after it
			if tt.reasons == nil && len(v.refused) > 0 {
				t.Errorf("right answers were refused: %v", v)
			}
		})
	}
}

func sorted(m map[string]uint64) (list []string) {
	for _, k := range slices.Sorted(maps.Keys(m)) {
		list = append(list, fmt.Sprintf("%s %d", k, m[k]))
	}
	return list
}
