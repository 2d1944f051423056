package linecharge

import (
	"slices"
	"testing"
	"time"

	"nightcell/daemon/snapshot"
)

// TestSwitchInAShortDark switches the output off in the middle of a stretch, shorter than
// gap_after, in which every answer is lost. The moment of the switch is not known, so
// the range must hold either end of the stretch.
func TestSwitchInAShortDark(t *testing.T) {
	t.Parallel()
	m := newMangler(nil)
	m.only = "MEAS:"
	const begin, length = 20 * time.Second, 1 * time.Second
	flows := func(now time.Duration) current {
		return interrupted{drift{first: 3}, now + begin + length, now + time.Hour}
	}
	w := watchOver(t, t.TempDir(), flows, m, false)
	from := w.supply.flows.(interrupted).off - length
	if err := w.until("the dark begins", func(*snapshot.Cell) bool { return w.clock.Now() >= from }); err != nil {
		t.Fatal(err)
	}
	m.then(slices.Repeat([]fault{{what: lost}}, 1)...)
	err := w.until("the dark ends", func(*snapshot.Cell) bool { return w.clock.Now() >= from+length })
	if err == nil {
		err = w.readings(8)
	}
	v, ended := w.end()
	if err != nil || ended != nil {
		t.Fatal(err, ended)
	}
	if !v.inside() {
		t.Errorf("the truth is outside: %v", v)
	}
	t.Log(v)
}

// TestSwapWithoutABreak puts another instrument on the line while the line stays up,
// as a switch box does. Its numbers must not be counted as those of the cell's supply.
func TestSwapWithoutABreak(t *testing.T) {
	for _, separate := range []bool{false, true} {
		m := newMangler(nil)
		w := watchOver(t, t.TempDir(), steady, m, separate)
		err := w.until("the run goes", func(s *snapshot.Cell) bool { return s.Reading.Count >= 20 })
		w.supply.mu.Lock()
		w.supply.swapped = 1
		w.supply.mu.Unlock()
		if err == nil {
			err = w.until("it is found out", func(s *snapshot.Cell) bool { return s.Poll.Bad > 0 })
		}
		w.supply.mu.Lock()
		w.supply.swapped = 0
		w.supply.mu.Unlock()
		if err == nil {
			err = w.readings(8)
		}
		v, ended := w.end()
		if err != nil || ended != nil {
			t.Fatal(err, ended)
		}
		if !v.inside() {
			t.Errorf("separate %v: the truth is outside: %v", separate, v)
		}
		t.Logf("separate %v: %v", separate, v)
	}
}

// TestMadeGoodIsCounted: answers that were measured again because one did not fit are refusals too.
func TestMadeGoodIsCounted(t *testing.T) {
	t.Parallel()
	// the bit that makes 3.0000 A a 3.4000 A
	var list []fault
	for range 5 {
		list = append(list, make([]fault, 7)...)
		list = append(list, fault{flipped, 9, 2})
	}
	v, err := trial{flows: steady, faults: list, only: "MEAS:"}.run(t)
	if err != nil {
		t.Fatal(err)
	}
	n := uint64(0)
	for _, c := range v.refused {
		n += c
	}
	if n < 5 {
		t.Errorf("%d of 5 garbled answers are counted: %v", n, v)
	}
	t.Log(v)
}
