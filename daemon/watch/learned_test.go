package watch

import (
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/configs"
	"nightcell/daemon/books"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/integrate/bath"
)

// weighedRun puts a run of 8 A·h with a weighed deposit into a data directory.
func weighedRun(t *testing.T, cfg *configs.Config, began time.Time, kg float64) (dir string) {
	t.Helper()
	frozen, err := cfg.Frozen("zinc-1")
	if err != nil {
		t.Fatal(err)
	}
	done, err := books.Intake{Data: cfg.Data, Cell: "zinc-1", Name: "night.csv", Frozen: frozen, Begin: began}.Take(strings.NewReader("time_h,voltage_V,current_A\n0,3.3,2\n2,3.3,2\n4,3.3,2\n"))
	if err != nil {
		t.Fatal(err)
	}
	w, err := runlog.OpenLate(done.Run)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := w.Append(began.Add(10*time.Hour), bath.EntryWeighing, "", runlog.Text("by", "ada"), runlog.Number(bath.Mass, kg)); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return done.Run
}

// TestARunBeginsWithWhatEarlierRunsGave: the next run, whose target and frozen configuration have the learned efficiency. A weighing that comes
// in while it goes on changes nothing of it, over a restart too.
func TestARunBeginsWithWhatEarlierRunsGave(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		dir := t.TempDir()
		cfg, err := watchtest.Zinc(dir, "", `deposit = "5 g"`, "")
		if err == nil {
			cfg, err = cfg.TaughtAs("zinc-1", []byte("[cell.zinc-1.efficiency]\nfixed = \"60 %\"\nlearned = true\n"))
		}
		if err != nil {
			t.Fatal(err)
		}
		before, err := cfg.Cells[0].Plan(nil)
		if err != nil {
			t.Fatal(err)
		}
		weighedRun(t, cfg, time.Now().Add(-72*time.Hour), 8.59e-3)
		weighedRun(t, cfg, time.Now().Add(-48*time.Hour), 8.50e-3)
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c := cellOf(t, b, cfg)
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		s := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		efficiency := before.Goal.Theoretical.Value / s.Charge.TargetCoulombs
		if efficiency < 0.8 || efficiency > 0.9 || math.Abs(before.Efficiency.Value-efficiency) < 0.1 {
			t.Errorf("the target is that of %.3g; unlearned it is that of %.3g", efficiency, before.Efficiency.Value)
		}
		frozen, err := os.ReadFile(filepath.Join(s.Run, runlog.FrozenName))
		if err != nil || !strings.Contains(string(frozen), `fixed = "8`) || !strings.Contains(string(frozen), "learned = true") {
			t.Errorf("%v: run.toml has\n%s", err, frozen)
		}
		weighedRun(t, cfg, time.Now().Add(-24*time.Hour), 4e-3)
		c = cellOf(t, b, cfg)
		stop = watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		after := c.Latest()
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if after.Run != s.Run || math.Abs(after.Charge.TargetCoulombs/s.Charge.TargetCoulombs-1) > 1e-9 {
			t.Errorf("after a restart the target of %s is %g C; it was %g C of %s", after.Run, after.Charge.TargetCoulombs, s.Charge.TargetCoulombs, s.Run)
		}
	})
}
