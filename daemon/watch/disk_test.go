package watch

import (
	"os"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestTheBooksOfARunThatEndsOnAFullDiskAreKept ends a run while the disk takes
// nothing: its lines wait until it does.
func TestTheBooksOfARunThatEndsOnAFullDiskAreKept(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), offAtTarget, `charge = "3 A h"`, "")
		disk := &watchtest.Disk{}
		c.settings.FS = disk
		stop := watchtest.Start(t, c)
		<-time.After(30 * time.Minute)
		disk.Full.Store(true)
		untilShown(t, c, 2*time.Hour, "the run ends", hasEnded)
		s := c.Latest()
		<-time.After(10 * time.Minute)
		if s.Log.Problem == "" {
			t.Error("nothing says that the disk is full")
		}
		disk.Full.Store(false)
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
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), offAtTarget, `charge = "3 A h"`, "")
		disk := &watchtest.Disk{}
		c.settings.FS = disk
		stop := watchtest.Start(t, c)
		<-time.After(30 * time.Minute)
		disk.Full.Store(true)
		untilShown(t, c, 2*time.Hour, "the run ends", hasEnded)
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
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		if s := c.Latest(); s == nil || s.Run == "" || s.Charge.CountedCoulombs < 100 {
			t.Errorf("no run has begun beside the remains of another")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
