package daemon

import (
	"io/fs"
	"os"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
)

// barredDisk is a disk that lets nobody in, or is full, as long as it is told to.
type barredDisk struct {
	runlog.Disk
	barred, full atomic.Bool
}

func (d *barredDisk) set(barred bool) { d.barred.Store(barred) }

func (d *barredDisk) MkdirAll(path string, perm fs.FileMode) error {
	if d.barred.Load() {
		return &fs.PathError{Op: "mkdir", Path: path, Err: syscall.EACCES}
	}
	return d.Disk.MkdirAll(path, perm)
}

func (d *barredDisk) OpenFile(path string, flag int, perm fs.FileMode) (runlog.File, error) {
	if d.full.Load() {
		return nil, &fs.PathError{Op: "open", Path: path, Err: syscall.ENOSPC}
	}
	f, err := os.OpenFile(path, flag, perm)
	if err != nil {
		return nil, err
	}
	return barredFile{f, d}, nil
}

type barredFile struct {
	*os.File
	d *barredDisk
}

func (f barredFile) Write(p []byte) (int, error) {
	if f.d.full.Load() {
		return 0, syscall.ENOSPC
	}
	return f.File.Write(p)
}

// TestTheBooksOfARunThatEndsOnAFullDiskAreKept ends a run while the disk takes
// nothing: its lines wait until it does.
func TestTheBooksOfARunThatEndsOnAFullDiskAreKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		c := zincCell(t, b, t.TempDir(), offAtTarget, `charge = "3 A h"`, "")
		disk := &barredDisk{}
		c.set.FS = disk
		stop := start(t, c)
		<-time.After(30 * time.Minute)
		disk.full.Store(true)
		until(t, 2*time.Hour, "the run ends", func() bool { return c.Latest().Ended })
		s := c.Latest()
		<-time.After(10 * time.Minute)
		if s.Log.Problem == "" {
			t.Error("nothing says that the disk is full")
		}
		disk.full.Store(false)
		<-time.After(time.Minute)
		if got := c.Latest().Log; got.Problem != "" || got.Backlog != 0 {
			t.Errorf("after space is back: %+v", got)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		report, err := runlog.ReplayFile(s.Run)
		if err != nil || !report.Sound() || !report.Ended || report.Totals.Charge != s.Charge.CountedCoulombs {
			t.Errorf("the log says %+v, %v; counted were %v C", report, err, s.Charge.CountedCoulombs)
		}
	})
}

// TestStoppingSaysWhatTheFullDiskCost stops while lines of a run that has ended still wait.
func TestStoppingSaysWhatTheFullDiskCost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		c := zincCell(t, b, t.TempDir(), offAtTarget, `charge = "3 A h"`, "")
		disk := &barredDisk{}
		c.set.FS = disk
		stop := start(t, c)
		<-time.After(30 * time.Minute)
		disk.full.Store(true)
		until(t, 2*time.Hour, "the run ends", func() bool { return c.Latest().Ended })
		if err := stop(); err == nil {
			t.Error("lines are lost and nobody says so")
		}
	})
}

// TestARunWithoutALogIsNone leaves the folder of a run without its log, as a power cut
// at the very beginning does: the watch begins all the same.
func TestARunWithoutALogIsNone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		if err := os.MkdirAll(dir+"/runs/zinc-1/19991231T230000Z", 0o750); err != nil {
			t.Fatal(err)
		}
		b := newBench(t, drivers.NewClock(1), liveScenario)
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := start(t, c)
		<-time.After(time.Minute)
		if s := c.Latest(); s == nil || s.Run == "" || s.Charge.CountedCoulombs < 100 {
			t.Errorf("no run has begun beside the remains of another")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
