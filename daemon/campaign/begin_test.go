//go:build linux

package campaign

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"

	"nightcell/daemon/runlog"
)

// TestKilledWhileTheRunBegins leaves what a kill can leave of a run that was just being
// made. The watch must start, and count the charge in a run of its own.
func TestKilledWhileTheRunBegins(t *testing.T) {
	t.Parallel()
	for _, left := range []map[string]string{
		{},
		{runlog.FrozenName: "# frozen\n"},
		{runlog.FrozenName: "# frozen\n", runlog.LogName: ""},
		{runlog.FrozenName: "# frozen\n", runlog.LogName: "entry,cell=zinc-1 kind=\"beg"},
	} {
		dir := filepath.Join(t.TempDir(), "data")
		b := newBench(t, 1, live, fmt.Sprintf(poll100, dir))
		run := filepath.Join(dir, "runs", "zinc-1", "20260301T211500Z")
		if err := os.MkdirAll(run, 0o750); err != nil {
			t.Fatal(err)
		}
		for name, text := range left {
			if err := os.WriteFile(filepath.Join(run, name), []byte(text), 0o640); err != nil {
				t.Fatal(err)
			}
		}
		w := startWatch(t, []string{program}, b.config, 1)
		w.until(t, "readings", patience, func(m metrics) bool { return m["nightcell_readings_total"] > 3 })
		if err := w.stop(t); err != nil {
			t.Errorf("%v: %v", left, err)
		}
	}
}

// TestStartOnAFullDisk starts the watch with an open run and not a byte of room. It must watch all the same.
func TestStartOnAFullDisk(t *testing.T) {
	t.Parallel()
	disk := newDisk(t)
	if !disk.mounted {
		t.Skip("no disk that can be filled")
	}
	b := newBench(t, 1, live, fmt.Sprintf(poll100, disk.dir))
	stretch(t, []string{program}, b, disk.dir, 5)
	disk.fill(t)
	w := startWatch(t, []string{program}, b.config, 1)
	m := w.until(t, "readings in memory", patience, func(m metrics) bool { return m["nightcell_log_backlog_bytes"] > 500 })
	disk.free(t)
	w.until(t, "they are written", patience, func(n metrics) bool {
		return n["nightcell_log_backlog_bytes"] == 0 && n["nightcell_readings_total"] > m["nightcell_readings_total"]
	})
	if err := w.stop(t); err != nil {
		t.Error(err)
	}
	if v := verify(t, filepath.Dir(logOf(t, disk.dir))); v.Totals.Gaps != 1 || v.LostLines != 0 {
		t.Errorf("%+v", v)
	}
}

// TestBeginOnAFullDisk lets a run begin with not a byte of room, in a data directory that was in use before.
func TestBeginOnAFullDisk(t *testing.T) {
	t.Parallel()
	disk := newDisk(t)
	if !disk.mounted {
		t.Skip("no disk that can be filled")
	}
	b := newBench(t, 1, live, fmt.Sprintf(poll100, disk.dir))
	if err := os.WriteFile(filepath.Join(disk.dir, "lock"), []byte("1"), 0o640); err != nil {
		t.Fatal(err)
	}
	disk.fill(t)
	w := startWatch(t, []string{program}, b.config, 1)
	w.until(t, "readings in memory", patience, func(m metrics) bool { return m["nightcell_log_backlog_bytes"] > 500 })
	disk.free(t)
	w.until(t, "they are written", patience, func(n metrics) bool { return n["nightcell_log_backlog_bytes"] == 0 })
	if err := w.stop(t); err != nil {
		t.Error(err)
	}
	if v := verify(t, filepath.Dir(logOf(t, disk.dir))); v.Totals.Gaps != 0 || v.LostLines != 0 {
		t.Errorf("%+v", v)
	}
}
