package snapshot

import "sync/atomic"

// slots is how many snapshots a Board keeps: one is current, one is being written,
// the rest may be held by readers in the act of copying.
const slots = 8

// Board holds the newest snapshot of one cell for one writer and any number of
// readers. Publishing allocates nothing and never waits: a slot that a reader is
// copying from is passed over.
type Board struct {
	current atomic.Int64 // slot number + 1; 0 before the first
	slot    [slots]struct {
		readers atomic.Int64
		cell    Cell
	}
}

// Publish makes a copy of c the newest snapshot. Only one goroutine may publish.
func (b *Board) Publish(c *Cell) {
	now := b.current.Load()
	for i := range b.slot {
		// The order matters: this slot has not been current since before the last
		// store to current, so a reader that counts itself in after this check will
		// see that and turn away.
		if int64(i)+1 == now || b.slot[i].readers.Load() != 0 {
			continue
		}
		b.slot[i].cell = *c
		b.current.Store(int64(i) + 1)
		return
	}
	// Seven readers are copying at this very moment: they see this one with the next reading.
}

// Latest returns a copy of the newest snapshot, or nil before the first.
func (b *Board) Latest() *Cell {
	for {
		now := b.current.Load()
		if now == 0 {
			return nil
		}
		s := &b.slot[now-1]
		s.readers.Add(1)
		if b.current.Load() == now {
			c := s.cell
			s.readers.Add(-1)
			return &c
		}
		s.readers.Add(-1) // the writer moved on; it may be about to reuse this slot
	}
}
