package runlog

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// displacements are ways in which a log is lost to whoever looks for it by its path.
func displacements(data, run string) map[string]func() error {
	log := filepath.Join(run, LogName)
	return map[string]func() error{
		"log deleted":    func() error { return os.Remove(log) },
		"run deleted":    func() error { return os.RemoveAll(run) },
		"data deleted":   func() error { return os.RemoveAll(data) },
		"data renamed":   func() error { return os.Rename(data, data+".away") },
		"log cut":        func() error { return os.Truncate(log, 100) },
		"log cut to nil": func() error { return os.Truncate(log, 0) },
		"log replaced": func() error {
			text, err := os.ReadFile(log)
			if err != nil {
				return err
			}
			return errors.Join(os.WriteFile(log+".new", text, 0o600), os.Rename(log+".new", log))
		},
	}
}

// TestADisplacedLogIsBegunAnew takes the log away from under its writer. The next look
// tells, and the log that follows resumes and verifies by itself with everything counted.
func TestADisplacedLogIsBegunAnew(t *testing.T) {
	for name := range displacements("", "") {
		t.Run(name, func(t *testing.T) {
			data := filepath.Join(t.TempDir(), "data")
			l := startLive(t, data, Options{})
			l.spell(400)
			before := l.w.Run()
			l.w.Look()
			if err := l.w.Health().Cause; err != nil {
				t.Fatalf("an untouched log: %v", err)
			}
			l.must(displacements(data, before)[name]())
			l.poll(time.Second, untouched)
			l.w.Look()
			if err := l.w.Health().Cause; !errors.Is(err, ErrDisplaced) {
				t.Fatalf("the health says %v", err)
			}
			l.must(l.w.Anew(l.utc, "it was taken away", []byte("# frozen\n"), l.c, Text("memory", "m")))
			if l.w.Run() <= before || l.w.Health().Cause != nil {
				t.Fatalf("the log goes on in %s with %v", l.w.Run(), l.w.Health().Cause)
			}
			carried := l.c.Totals().Charge
			l.spell(400)
			l.must(l.w.Close())
			report := replay(t, Disk{}, l.w.Run())
			l.sameAs(report)
			if report.Carried == nil || report.Carried.Charge != carried {
				t.Errorf("carried %v, want %v C", report.Carried, carried)
			}
			if frozen, err := os.ReadFile(filepath.Join(l.w.Run(), FrozenName)); err != nil || string(frozen) != "# frozen\n" {
				t.Errorf("run.toml: %q, %v", frozen, err)
			}
			latest, ended, err := LatestRun(data, "zinc-1")
			if err != nil || ended || latest != l.w.Run() {
				t.Fatalf("the newest run is %s, ended %v, %v", latest, ended, err)
			}
			w, tail, err := Resume(latest, Options{})
			if err != nil || tail.Doubt != nil || !tail.Coulometer.State().Equal(l.c.State()) {
				t.Fatalf("resumed with %+v, %v", tail, err)
			}
			l.must(w.Close())
		})
	}
}

// TestADisplacedLogIsSeenWhenTheDiskWasInTrouble takes the log away while the writer has it closed.
func TestADisplacedLogIsSeenWhenTheDiskWasInTrouble(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	l.spell(50)
	m.fault = func(op, _ string) error {
		if op == "write" {
			return syscall.EIO
		}
		return nil
	}
	l.must(l.w.Notice(l.utc, Text("id", "only-in-memory")))
	m.fault = nil
	l.must(m.Remove(filepath.Join(l.w.Run(), LogName)))
	l.poll(time.Minute, untouched)
	if err := l.w.Health().Cause; !errors.Is(err, ErrDisplaced) {
		t.Fatalf("the health says %v; a log full of holes was begun", err)
	}
	l.must(l.w.Anew(l.utc, "it was taken away", nil, l.c))
	l.must(l.w.Close())
	_, log := m.log(t)
	if !strings.Contains(string(log), "only-in-memory") {
		t.Errorf("the notice nobody was told of is lost:\n%s", log)
	}
	l.sameAs(replay(t, m, l.w.Run()))
}
