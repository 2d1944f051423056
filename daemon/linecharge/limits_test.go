package linecharge

import (
	"math"
	"slices"
	"testing"
	"time"

	"nightcell/daemon/snapshot"
)

// TestWhatCannotBeTold freezes the supply's answers while the current moves on. The
// numbers are plausible, so they are counted, and the range does not widen: the charge is
// wrong by what the current moved meanwhile, and by no more.
func TestWhatCannotBeTold(t *testing.T) {
	t.Parallel()
	const perSecond = 2e-3
	flows := func(now time.Duration) current { return drift{2.6 - perSecond*now.Seconds(), perSecond} }
	m := newMangler(nil)
	m.only = "MEAS:"
	w := watchOver(t, t.TempDir(), flows, m, false)
	err := w.until("half a minute has been read", func(s *snapshot.Cell) bool { return s.Elapsed >= 30*time.Second })
	began := w.cell.Latest().Elapsed
	if err == nil {
		m.then(slices.Repeat([]fault{{what: frozen}}, 1000)...)
		err = w.until("a minute and a half has been counted from a frozen answer", func(s *snapshot.Cell) bool { return s.Elapsed >= began+90*time.Second })
	}
	v, ended := w.end()
	if err != nil || ended != nil {
		t.Fatal(err, ended)
	}
	if v.totals.Gaps == 0 && v.inside() { // a busy machine may leave gaps, which widen it
		t.Errorf("the truth lies inside; if a frozen reading now widens the range, say so in the package's comment: %v", v)
	}
	// An even drift of d A/s over s seconds of stillness leaves d·s²/2 uncounted.
	still := (v.totals.Elapsed - began).Seconds()
	if want := perSecond * still * still / 2; math.Abs(v.off+want) > 0.15*want {
		t.Errorf("off by %.2f C in %.0f s of stillness; %.2f C are to be expected", v.off, still, -want)
	}
	t.Logf("frozen for %.0f s: %v", still, v)
}

// TestInterruptionInALongGap switches the output off and on again in the middle of a
// stretch longer than gap_after in which every answer is lost: the gap's range holds it.
func TestInterruptionInALongGap(t *testing.T) {
	t.Parallel()
	v := dark(t, 40*time.Second, 12*time.Second)
	if !v.inside() || v.totals.Gaps == 0 {
		t.Errorf("the truth is outside, or nothing was booked: %v", v)
	}
	t.Log(v)
}

// dark counts a current while every answer is lost for a time, in whose middle the output is off for a time.
func dark(t *testing.T, length, off time.Duration) verdict {
	t.Helper()
	m := newMangler(nil)
	m.only = "MEAS:"
	const begin = 20 * time.Second // run time at which the dark begins
	flows := func(now time.Duration) current {
		middle := now + begin + length/2
		return interrupted{drift{first: 3}, middle - off/2, middle + off/2}
	}
	w := watchOver(t, t.TempDir(), flows, m, false)
	from := w.supply.flows.(interrupted).off + off/2 - length/2
	if err := w.until("the dark begins", func(*snapshot.Cell) bool { return w.clock.Now() >= from }); err != nil {
		t.Fatal(err)
	}
	m.then(slices.Repeat([]fault{{what: lost}}, 1000)...)
	err := w.until("the dark ends", func(*snapshot.Cell) bool { return w.clock.Now() >= from+length })
	m.stop()
	if err == nil {
		err = w.readings(8)
	}
	v, ended := w.end()
	if err != nil || ended != nil {
		t.Fatal(err, ended)
	}
	return v
}
