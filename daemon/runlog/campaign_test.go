package runlog

import (
	"math/rand/v2"
	"syscall"
	"testing"
	"time"
)

// TestNightsOfTrouble lives through nights in which the disk fails and mends, the
// process is killed and the power is cut at random, and asks of each that the
// log is sound, that the charge that truly passed lies in the stated range, that nothing that
// was safe is missing, and that nothing is counted twice.
func TestNightsOfTrouble(t *testing.T) {
	kills, cuts, faults, lost := 0, 0, 0, 0
	for seed := range uint64(400 / stride) {
		rng := rand.New(rand.NewPCG(seed, 1))
		m := newMemFS()
		l := startLive(t, "/data", Options{FS: m, Sync: time.Duration(rng.IntN(3)) * 5 * time.Second, CheckpointEvery: 30 * time.Second})
		m.powerCutSafe()
		written, durable := 0, 0 // readings
		for range 12 {
			for range rng.IntN(60) {
				l.poll(time.Second, untouched)
				if h := l.w.Health(); h.BacklogBytes == 0 {
					written = int(l.c.State().Readings)
					if l.w.base == l.w.Offset() {
						durable = written
					}
				}
			}
			switch rng.IntN(4) {
			case 0:
				faults++
				errno := []syscall.Errno{syscall.ENOSPC, syscall.EIO, syscall.EROFS, syscall.EPERM}[rng.IntN(4)]
				m.fault = func(op, _ string) error {
					if op != "read" && rng.IntN(3) == 0 {
						return errno
					}
					return nil
				}
			case 1:
				m.fault = nil
			case 2:
				kills++
				_, gone := l.restart(m, written)
				lost += gone
				written = int(l.c.State().Readings)
			case 3:
				cuts++
				m.powerCut(rng)
				kept, gone := l.restart(m, durable)
				lost += gone
				written, durable = int(l.c.State().Readings), kept
			}
		}
		m.fault = nil
		l.poll(time.Second, untouched)
		l.must(l.w.Close())
		l.sameAs(replay(t, m, l.w.Run()))
		// The supply pushed 3 A all the while; the readings scatter about it by less than 0.005 A, and even out.
		if got, truth := l.c.Totals(), 3*l.at.Seconds(); truth < got.Low()-0.001*truth || truth > got.High()+0.001*truth {
			t.Errorf("%v C passed; counted %v to %v C", truth, got.Low(), got.High())
		}
		if t.Failed() {
			t.Fatalf("night %d", seed)
		}
	}
	t.Logf("%d kills, %d power cuts, %d failing disks; %d readings were on their way to the disk and became gaps", kills, cuts, faults, lost)
}

// restart abandons the writer as a kill does and takes the run up again after some
// dark seconds. It returns how many readings are kept and how many gone, and complains
// when one of the first safe is.
func (l *live) restart(m *memFS, safe int) (kept, gone int) {
	l.t.Helper()
	m.fault = nil
	w, tail, err := Resume(l.w.Run(), l.o)
	l.must(err)
	kept = int(tail.Coulometer.State().Readings)
	gone = int(l.c.State().Readings) - kept
	if kept < safe || gone < 0 {
		l.t.Fatalf("%d readings kept of %d, of which %d were safe", kept, l.c.State().Readings, safe)
	}
	now := l.at
	l.resume(w, tail)
	dark := now - l.at + time.Second
	e := untouched
	e.Restarted = true
	l.utc = l.utc.Add(-dark + time.Second) // poll moves both on by the dark time
	l.poll(dark, e)
	return kept, gone
}

// powerCutSafe makes what is on the disk so far durable, as the beginning of a run is.
func (m *memFS) powerCutSafe() {
	for _, n := range m.names {
		n.durable = append([]byte(nil), n.data...)
	}
}
