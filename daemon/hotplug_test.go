//go:build unix

package daemon

import (
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"testing"

	"github.com/creack/pty"

	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

// TestAStableNameThatComesBack pulls the adapter out and plugs it in again. Meanwhile something else takes its device, so that
// only the name still leads to the supply.
func TestAStableNameThatComesBack(t *testing.T) {
	t.Parallel() // most of it is waiting
	dir := t.TempDir()
	clock := drivers.NewClock(1)
	scenario, err := simulated.ParseScenario("pulled", []byte(watchtest.Live+"[[event]]\nat = \"5 s\"\nkind = \"unplug\"\nlasts = \"3 s\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(dir, "usb-EXAMPLE-if00")
	served(t, simulated.Setup{Clock: clock, Seed: 1, Scenario: scenario}, name)
	device := func() string {
		target, err := filepath.EvalSymlinks(name)
		if err != nil && !os.IsNotExist(err) {
			t.Error(err)
		}
		return target
	}
	cfg, err := configs.Parse("pulled.toml", fmt.Appendf(nil, "data = %q\n[supply.bench]\nport = %q\n[cell.zinc-1]\nsupply = \"bench\"\npoll = \"50 ms\"\ngap_after = \"30 s\"\n", dir, name))
	if err != nil {
		t.Fatal(err)
	}
	s, err := watch.SettingsOf(cfg, &cfg.Cells[0], rackOf(t, cfg), clock, slog.New(slog.DiscardHandler))
	if err != nil {
		t.Fatal(err)
	}
	cell := watch.New(s, watch.MachineOf(clock))
	stop := watchtest.Start(t, cell)
	soon(t, "it counts", func() bool { s := cell.Latest(); return s != nil && s.Reading.Count > 5 })
	before := device()
	soon(t, "the name is gone", func() bool { _, err := os.Lstat(name); return os.IsNotExist(err) })
	soon(t, "the line is known to be lost", func() bool { return !cell.Latest().Link.Up })
	for { // until the old device belongs to somebody else
		far, near, err := pty.Open()
		if err != nil {
			t.Fatal(err)
		}
		defer far.Close()
		defer near.Close()
		if _, err := os.Stat(before); err == nil || !os.IsNotExist(err) || near.Name() == before {
			break
		}
	}
	soon(t, "the name is taken up", func() bool { return cell.Latest().Link.Up })
	counted := cell.Latest().Reading.Count
	soon(t, "it counts on", func() bool { return cell.Latest().Reading.Count > counted+5 })
	if after := device(); after == before || after == "" {
		t.Errorf("the name leads to %q, and led to %q before: nothing was shown", after, before)
	}
	run := cell.Latest().Run
	if err := stop(); err != nil {
		t.Error(err)
	}
	report, err := runlog.ReplayFile(run)
	if err != nil || !report.Sound() || report.Totals.Gaps != 1 {
		t.Errorf("replay: %+v, %v; want the time without the adapter as one gap", report, err)
	}
}
