package snapshot

import (
	"sync"
	"testing"
)

// TestReadersSeeWholeSnapshots publishes cells whose fields must all agree while
// many readers copy; run with -race it also proves that none is written while it is read.
func TestReadersSeeWholeSnapshots(t *testing.T) {
	var b Board
	if b.Latest() != nil {
		t.Fatal("a board before its first snapshot must answer nil")
	}
	const n = 20000
	var wg sync.WaitGroup
	b.Publish(&Cell{Reading: Reading{Count: 1, Volts: 1}, Charge: Charge{CountedCoulombs: 1}})
	for range 12 {
		wg.Go(func() {
			var last uint64
			for last < n {
				c := b.Latest()
				if c.Reading.Volts != float64(c.Reading.Count) || c.Charge.CountedCoulombs != c.Reading.Volts {
					t.Errorf("torn snapshot: count %d, volts %v, charge %v", c.Reading.Count, c.Reading.Volts, c.Charge.CountedCoulombs)
					return
				}
				if c.Reading.Count < last {
					t.Errorf("snapshot went back from %d to %d", last, c.Reading.Count)
					return
				}
				last = c.Reading.Count
			}
		})
	}
	for i := uint64(2); i <= n; i++ {
		b.Publish(&Cell{Reading: Reading{Count: i, Volts: float64(i)}, Charge: Charge{CountedCoulombs: float64(i)}})
	}
	wg.Wait()
}
