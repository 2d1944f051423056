package watch

import (
	"math"
	"os"
	"path/filepath"
	"regexp"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// The notice says how far the charge is beyond the target, not that the target has moved along.
func TestTargetStaysWhereItLay(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := zincCell(t, b, t.TempDir(), `may = ["off"]`+"\n"+`at_target = "off"`, `charge = "0.0995 A h"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, time.Hour, "the run ends", hasEnded)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if s.Charge.CountedCoulombs < 359 {
			t.Fatalf("%.1f C do not show the difference", s.Charge.CountedCoulombs)
		}
		log, err := os.ReadFile(filepath.Join(s.Run, "log.lp"))
		if err != nil {
			t.Fatal(err)
		}
		said := regexp.MustCompile(`(\S+) A·h counted; the target was (\S+) A·h`).FindSubmatch(log)
		if said == nil || string(said[2]) != "0.0995" || string(said[1]) == "0.0995" {
			t.Errorf("said %q", said)
		}
	})
}

// TestTargetStaysWhereItLayOverARestart: what is left of a passed target is nothing, so that it cannot be worked out again.
func TestTargetStaysWhereItLayOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		for _, beyond := range []float64{3000, 6000} {
			c := zincCell(t, b, dir, "", `charge = "0.0995 A h"`, "")
			stop := watchtest.Start(t, c)
			<-time.After(20*time.Minute + time.Second)
			s := c.Latest()
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			if at, past := s.Charge.TargetCoulombs, s.Charge.CountedCoulombs-s.Charge.TargetCoulombs; math.Abs(at-358.2) > 1e-6 || past < beyond {
				t.Errorf("the target lies at %.2f C, %.2f C ago", at, past)
			}
		}
	})
}

// TestARunThatEndsWithItsFirstReadingKeepsItsName: the target was passed while nobody watched.
func TestARunThatEndsWithItsFirstReadingKeepsItsName(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir, left := t.TempDir(), t.TempDir()
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		stop := watchtest.Start(t, zincCell(t, b, dir, offAtTarget, `charge = "1 A h"`, ""))
		<-time.After(10 * time.Minute)
		if err := os.CopyFS(left, os.DirFS(dir)); err != nil { // what a kill leaves behind
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		<-time.After(30 * time.Minute)
		c := zincCell(t, b, left, offAtTarget, `charge = "1 A h"`, "")
		stop = watchtest.Start(t, c)
		untilShown(t, c, time.Minute, "the run ends", hasEnded)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if s.Name != "zinc-1" || s.Supply != "bench" || s.Metal != "Zn" || s.May.String() != "off" || s.PlannedTarget != 3600 || s.Run == "" {
			t.Errorf("cell %q, supply %q, metal %q, may %q, planned %g C, run %q", s.Name, s.Supply, s.Metal, s.May, s.PlannedTarget, s.Run)
		}
	})
}

// TestAnEndedRunStaysInViewOverARestart: the next process shows its figures, and begins a run of its own when current flows.
func TestAnEndedRunStaysInViewOverARestart(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, offAtTarget, `charge = "0.0995 A h"`, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, time.Hour, "the run ends", hasEnded)
		before := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Hour)
		c = zincCell(t, b, dir, offAtTarget, `charge = "0.0995 A h"`, "")
		stop = watchtest.Start(t, c)
		<-time.After(time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if !s.Ended || !s.Waiting || s.EndedWhy != before.EndedWhy || s.Run != before.Run || s.Charge.CountedCoulombs != before.Charge.CountedCoulombs ||
			s.Bath.DepositGrams != before.Bath.DepositGrams || s.Charge.TargetCoulombs != before.Charge.TargetCoulombs || len(s.Alarms) != 0 {
			t.Errorf("after the restart: ended %v %q, run %s, %g C of %g C, %g g, alarms %v; before: %q, %s, %g C of %g C, %g g", s.Ended, s.EndedWhy, s.Run, s.Charge.CountedCoulombs,
				s.Charge.TargetCoulombs, s.Bath.DepositGrams, s.Alarms, before.EndedWhy, before.Run, before.Charge.CountedCoulombs, before.Charge.TargetCoulombs, before.Bath.DepositGrams)
		}
	})
}
