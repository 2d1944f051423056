package watch

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/daemon/ledger"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// recover30 is a share of what there is.
const recover30 = `recover = "3 %"`

// TestTheSecondRunBeginsWithWhatTheFirstLeft: within one watch and after a restart, in plan, log, frozen configuration and snapshot.
func TestTheSecondRunBeginsWithWhatTheFirstLeft(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, `may = ["off"]`+"\n"+`at_target = "off"`, recover30, "")
		stop := watchtest.Start(t, c)
		untilShown(t, c, 3*time.Hour, "the first run ends", hasEnded)
		first := c.Latest()
		if first.Left != "" {
			t.Errorf("the first run started with %q", first.Left)
		}
		bath, err := ledger.ReadBath(c.settings.DataDir, "zinc-1")
		if err != nil || len(bath.Runs) != 1 {
			t.Fatalf("after the first run: %+v, %v", bath, err)
		}
		b.Instrument.Handle([]byte("OUTP ON\n"))
		untilShown(t, c, time.Hour, "the second run started", func(s *snapshot.Cell) bool { return !s.Ended && s.Run != first.Run })
		second := c.Latest()
		if !strings.Contains(second.Left, " g that are left in bath zinc-1") {
			t.Errorf("the second run started with %q", second.Left)
		}
		// What is asked of is less by what the first took; the efficiency is the same.
		if share := second.PlannedTarget / first.PlannedTarget; share < 0.965 || share > 0.975 {
			t.Errorf("the second target is %.4f of the first", share)
		}
		if err := stop(); err != nil { // killed or stopped, the open run goes on with its own bath
			t.Fatal(err)
		}
		frozen, err := os.ReadFile(filepath.Join(second.Run, runlog.FrozenName))
		if err != nil || !strings.Contains(string(frozen), `continues = "`+bath.Newest+`"`) {
			t.Errorf("%s, %v", frozen, err)
		}
		log, err := os.ReadFile(filepath.Join(second.Run, runlog.LogName))
		if err != nil || !strings.Contains(string(log), "A·h (k = 2) of the "+second.Left) {
			t.Errorf("the log does not say what the target is of: %v", err)
		}
		again := zincCell(t, b, dir, `may = ["off"]`+"\n"+`at_target = "off"`, recover30, "")
		stop = watchtest.Start(t, again)
		untilShown(t, again, 3*time.Hour, "the second run ends", hasEnded)
		if s := again.Latest(); s.Run != second.Run || s.Left != second.Left || s.PlannedTarget != second.PlannedTarget {
			t.Errorf("after a restart: %q of %q", s.Left, s.Run)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if bath, err = ledger.ReadBath(c.settings.DataDir, "zinc-1"); err != nil || len(bath.Runs) != 2 || len(bath.Problems) > 0 {
			t.Errorf("after the second run: %+v, %v", bath, err)
		}
	})
}

// TestALedgerThatCannotBeReadIsTold: the run is counted all the same, from what the configuration states, and somebody is told.
func TestALedgerThatCannotBeReadIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		c := zincCell(t, b, dir, `may = ["off"]`+"\n"+`at_target = "off"`, recover30, "")
		file := filepath.Join(ledger.Dir(c.settings.DataDir, ledger.OfBath, "zinc-1"), runlog.LedgerName)
		if err := os.MkdirAll(filepath.Dir(file), 0o750); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte("entry,cell=zinc-1 before=0i,kind=\"open\" 1\n"), 0o640); err != nil {
			t.Fatal(err)
		}
		stop := watchtest.Start(t, c)
		untilShown(t, c, time.Hour, "the run started", func(s *snapshot.Cell) bool { return s.Run != "" })
		run := c.Latest().Run
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		var told string
		watchtest.EachRecord(t, run, func(r *runlog.Record) {
			if r.Kind == runlog.KindNotice && strings.Contains(r.Text("subject"), "bath") {
				told = r.Text("text")
			}
		})
		if !strings.Contains(told, "as the configuration states it: the ledger of bath zinc-1 cannot be used") {
			t.Errorf("it is told: %q", told)
		}
	})
}

// TestAnEndedRunKeepsItsOwnPlanInView: after a restart what is shown of it is of its own bath, and not of what it left.
func TestAnEndedRunKeepsItsOwnPlanInView(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		var ended *snapshot.Cell
		for range 2 {
			c := zincCell(t, b, dir, `may = ["off"]`+"\n"+`at_target = "off"`, recover30, "")
			stop := watchtest.Start(t, c)
			untilShown(t, c, 3*time.Hour, "the run is over", hasEnded)
			s := c.Latest()
			if err := stop(); err != nil {
				t.Fatal(err)
			}
			if ended == nil {
				ended = s
				continue
			}
			if s.PlannedTarget != ended.PlannedTarget || s.Charge.TargetCoulombs != ended.Charge.TargetCoulombs || !s.Charge.TargetReached || s.Bath.ConcentrationGramPerLitre != ended.Bath.ConcentrationGramPerLitre {
				t.Errorf("shown are a target of %g C, planned %g C, %g g/L; want %g C, %g C, %g g/L", s.Charge.TargetCoulombs, s.PlannedTarget, s.Bath.ConcentrationGramPerLitre,
					ended.Charge.TargetCoulombs, ended.PlannedTarget, ended.Bath.ConcentrationGramPerLitre)
			}
		}
	})
}
