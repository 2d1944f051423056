package runlog

import (
	"errors"
	"io/fs"
	"math/rand/v2"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightcell/drivers"
)

// night runs a watch over Create, a spell, Close, Resume and another spell on m,
// and returns it. Only opening and closing may fail, and only while the disk does;
// mend is called then.
func night(t *testing.T, m *memFS, mend func()) *live {
	t.Helper()
	l := newLive(t, Options{Sync: 5 * time.Second, FS: m})
	w, err := Create("/data", "zinc-1", begin, []byte("# frozen\n"), l.o)
	if err != nil {
		if m.fault == nil || !strings.Contains(err.Error(), "a data directory that nightcell may write to") {
			t.Fatal(err)
		}
		mend()
		w, err = Create("/data", "zinc-1", begin, []byte("# frozen\n"), l.o)
		l.must(err)
	}
	l.begin(w)
	l.spell(30)
	closing := func() {
		for l.w.Close() != nil {
			if m.fault == nil {
				t.Fatal("closing fails on a good disk")
			}
			mend()
		}
	}
	closing()
	w, tail, err := Resume(w.Run(), l.o)
	if err != nil {
		if m.fault == nil {
			t.Fatal(err)
		}
		mend()
		w, tail, err = Resume(l.w.Run(), l.o)
		l.must(err)
	}
	l.resume(w, tail)
	e := untouched
	e.Restarted = true
	l.poll(2*time.Second, e)
	l.spell(30)
	closing()
	return l
}

// TestEveryFileOperationMayFail makes the disk fail at every single operation, for
// one or for many, in each way that disks have, and asks that the watch goes on,
// catches up, and loses not one line.
func TestEveryFileOperationMayFail(t *testing.T) {
	whole := newMemFS()
	l := night(t, whole, nil)
	total := len(whole.ops)
	want := l.polls
	_, log := whole.log(t)
	t.Logf("%d file operations, %d bytes of log", total, len(log))
	for _, errno := range []syscall.Errno{syscall.ENOSPC, syscall.EIO, syscall.EROFS, syscall.EPERM} {
		for _, width := range []int{1, 9} {
			for first := 0; first < total; first += stride {
				m := newMemFS()
				m.fault = func(string, string) error {
					if n := len(m.ops) - 1; n >= first && n < first+width {
						return errno
					}
					return nil
				}
				l := night(t, m, func() { m.fault = nil })
				m.fault = nil
				run := l.w.Run()
				report := replay(t, m, run)
				l.sameAs(report)
				if report.Readings != int64(want) || report.LostLines != 0 {
					t.Errorf("%d readings of %d, %d lines lost", report.Readings, want, report.LostLines)
				}
				if n := m.names[run+"/"+FrozenName]; n == nil || string(n.durable) != "# frozen\n" {
					t.Errorf("%s is not safe", FrozenName)
				}
				if t.Failed() {
					t.Fatalf("with %v at operations %d to %d: %s", errno, first, first+width, m.ops[first])
				}
			}
		}
	}
}

// TestFailedSyncWritesAgain: after a failed fsync the kernel may have dropped the
// pages, so what was written before counts as not written.
func TestFailedSyncWritesAgain(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	l.spell(5)
	bad := true
	m.fault = func(op, _ string) error {
		if op == "sync" && bad {
			bad = false
			// The pages are gone, and zeros are read in their place.
			_, data := m.log(t)
			clear(data[len(m.names[l.w.Run()+"/"+LogName].durable):])
			return syscall.EIO
		}
		return nil
	}
	l.poll(time.Second, untouched)
	if h := l.w.Health(); !errors.Is(h.Cause, syscall.EIO) || h.BacklogBytes == 0 {
		t.Errorf("health after a failed sync: %+v", h)
	}
	l.poll(time.Second, untouched)
	if h := l.w.Health(); h.Cause != nil || h.BacklogBytes != 0 {
		t.Errorf("health after the next: %+v", h)
	}
	m.powerCut(l.rng)
	l.sameAs(replay(t, m, l.w.Run()))
}

// TestFullDisk: hours without room, then room.
func TestFullDisk(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m, Sync: 10 * time.Second})
	l.spell(100)
	m.fault = func(op, _ string) error {
		if op == "write" {
			return syscall.ENOSPC
		}
		return nil
	}
	l.spell(10_000)
	h := l.w.Health()
	if !errors.Is(h.Cause, syscall.ENOSPC) || h.BacklogBytes < 1_000_000 || h.LostLines != 0 {
		t.Errorf("health of a full disk: %+v", h)
	}
	if err := l.w.Sync(); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("Sync on a full disk: %v", err)
	}
	m.fault = nil
	for range 20 {
		l.poll(time.Second, untouched)
	}
	if h := l.w.Health(); h.Cause != nil || h.BacklogBytes != 0 {
		t.Errorf("health after room was made: %+v", h)
	}
	l.must(l.w.Close())
	l.sameAs(replay(t, m, l.w.Run()))
}

// TestBacklogIsBounded: what memory cannot hold is lost, said, and carried across by the next checkpoint.
func TestBacklogIsBounded(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m, Sync: time.Second, BacklogBytes: 64 << 10, CheckpointEvery: time.Hour})
	l.spell(50)
	m.fault = func(op, _ string) error {
		if op == "write" {
			return syscall.EDQUOT
		}
		return nil
	}
	lost := 0
	for range 2000 {
		step, err := l.c.Add(sample(l), untouched)
		l.must(err)
		if err := l.w.Reading(l.utc, step.Elapsed, 3.2, 3, "constant-current", "on", drivers.Shown{}); err != nil {
			lost++
			if !strings.Contains(err.Error(), "a line of the log is lost") {
				t.Fatal(err)
			}
		}
	}
	if lost == 0 || lost > 1700 {
		t.Fatalf("%d of 2000 readings lost", lost)
	}
	// There is room for what matters more than readings.
	l.must(l.w.Alarm(l.utc, "log-disk", Text("state", "UNACK"), Number("value", 0)))
	if h := l.w.Health(); h.LostReadings != int64(lost) || h.BacklogBytes > 64<<10 {
		t.Errorf("health: %+v", h)
	}
	m.fault = nil
	l.utc = l.utc.Add(time.Minute)
	l.checkpoint()
	l.poll(time.Second, untouched)
	if err := l.w.Close(); err == nil || !strings.Contains(err.Error(), "were lost") {
		t.Errorf("closing: %v", err)
	}
	report := replay(t, m, l.w.Run())
	if report.Sound() || report.LostLines != int64(lost) || report.DamageCount != 0 || len(report.Mismatches) != 0 {
		t.Errorf("report: %+v", report)
	}
	if report.Totals != l.c.Totals() {
		t.Errorf("replayed %+v\nlive     %+v", report.Totals, l.c.Totals())
	}
}

// TestPowerCutAtEveryOperation cuts the power before every file operation and asks
// that nothing that was synced is missing, and that no more is than Options.Sync allows.
func TestPowerCutAtEveryOperation(t *testing.T) {
	type cut struct{}
	for _, sync := range []time.Duration{0, time.Second, 10 * time.Second} {
		worst, cuts := 0, 0
		for at := 0; ; at += stride {
			m := newMemFS()
			m.fault = func(string, string) error {
				if len(m.ops)-1 == at {
					panic(cut{})
				}
				return nil
			}
			l := newLive(t, Options{FS: m, Sync: sync})
			finished := func() (ok bool) {
				defer func() {
					if r := recover(); r != nil {
						if _, is := r.(cut); !is {
							panic(r)
						}
					}
				}()
				w, err := Create("/data", "zinc-1", begin, nil, l.o)
				l.must(err)
				l.begin(w)
				for i := range 60 {
					d := time.Second
					if i == 40 {
						d = time.Minute
					}
					l.poll(d, untouched)
				}
				return true
			}()
			if finished {
				break
			}
			cuts++
			m.fault = nil
			m.powerCut(rand.New(rand.NewPCG(uint64(at), 1)))
			if l.w == nil {
				continue // the run had not begun
			}
			w, tail, err := Resume(l.w.Run(), l.o)
			if errors.Is(err, fs.ErrNotExist) {
				if l.polls > 0 {
					t.Fatalf("cut at operation %d: the log of %d readings is gone", at, l.polls)
				}
				continue
			}
			l.must(err)
			if tail.Coulometer == nil {
				if l.polls > 0 {
					t.Fatalf("cut at operation %d: the beginning of the run is gone", at)
				}
				continue
			}
			missing := l.polls - int(tail.Coulometer.State().Readings)
			worst = max(worst, missing)
			if missing > int(sync/time.Second)+1 {
				t.Errorf("cut at operation %d with sync %v: %d readings missing", at, sync, missing)
			}
			l.resume(w, tail)
			e := untouched
			e.Restarted = true
			l.poll(3*time.Second, e)
			l.must(l.w.Close())
			if report := replay(t, m, l.w.Run()); report.Totals != l.c.Totals() || len(report.Mismatches) != 0 {
				t.Errorf("cut at operation %d: replayed %+v\nlive %+v", at, report, l.c.Totals())
			}
			if t.Failed() {
				t.FailNow()
			}
		}
		t.Logf("sync %v: %d power cuts, at most %d readings lost", sync, cuts, worst)
	}
}
