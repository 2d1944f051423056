package daemon

import (
	"context"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/page/sentence"
	"nightcell/drivers"
)

// letterBox is a route that keeps what it is given.
type letterBox struct {
	mu  sync.Mutex
	got []routes.Notice
}

func (*letterBox) Name() string { return "phone" }

func (l *letterBox) Deliver(_ context.Context, n routes.Notice) (routes.Proof, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.got = append(l.got, n)
	return "taken", nil
}

// of lists the kinds of what came about a condition.
func (l *letterBox) of(c alerts.Condition) string {
	l.mu.Lock()
	defer l.mu.Unlock()
	var kinds []string
	for _, n := range l.got {
		if n.Condition == c.String() {
			kinds = append(kinds, string(n.Kind))
		}
	}
	return strings.Join(kinds, " ")
}

// toldBy joins a cell on a disk of its own to a route that reads its log.
func toldBy(t *testing.T, b *bench) (*Cell, *barredDisk, *letterBox) {
	t.Helper()
	dir, phone, disk := t.TempDir(), &letterBox{}, &barredDisk{}
	c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
	box, err := routes.NewOutbox(routes.Options{
		Source: newNoticeSource(dir, "zinc-1"), Clock: b.clock, Store: routes.Directory{Path: t.TempDir(), Write: writeSmall},
	}, routes.Way{Route: phone})
	if err != nil {
		t.Fatal(err)
	}
	box.Start()
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if err := box.Stop(ctx); err != nil {
			t.Error(err)
		}
	})
	c.set.FS, c.set.Tell, c.set.Wake = disk, box.Tell, box.Wake
	return c, disk, phone
}

// TestAFullDiskDoesNotKeepAnAlarmFromPeople: the log is the queue, but what it cannot take goes out all the same, once.
func TestAFullDiskDoesNotKeepAnAlarmFromPeople(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario+"[[event]]\nat = \"30 min\"\nkind = \"hard-short\"\nohms = 0.03\n")
		c, disk, phone := toldBy(t, b)
		stop := start(t, c)
		<-time.After(20 * time.Minute)
		disk.full.Store(true)
		<-time.After(20 * time.Minute)
		if got := phone.of(alerts.HardShort); got != "alarm" {
			t.Errorf("while the disk is full the phone hears of the short: %q", got)
		}
		disk.full.Store(false)
		<-time.After(20 * time.Minute)
		if got := phone.of(alerts.HardShort); got != "alarm" {
			t.Errorf("with space again: %q", got)
		}
		if got := phone.of(alerts.LogDisk); got != "alarm cleared" {
			t.Errorf("of the disk: %q", got)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestTheSubjectSaysWhatToDo: cell, what, value and first action fit on a telephone's lock screen, and the log keeps what an alarm follows.
func TestTheSubjectSaysWhatToDo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario+"[[event]]\nat = \"10 min\"\nkind = \"hard-short\"\nohms = 0.03\n"+
			"[[event]]\nat = \"15 min\"\nkind = \"panel\"\namperes = 3.8\n")
		c, _, phone := toldBy(t, b)
		stop := start(t, c)
		<-time.After(30 * time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		phone.mu.Lock()
		defer phone.mu.Unlock()
		var subjects []string
		for _, n := range phone.got {
			subjects = append(subjects, n.Subject+" | after "+n.After)
		}
		want := []string{
			"zinc-1: hard-short, 0.153 V at 3 A: switch off or down to the hold current | after ",
			"zinc-1: over-current, 3.802 A: lower the current set-point | after hard-short",
			"zinc-1: set-points-changed, now 6 V and 3.8 A: ask who turned the knob | after hard-short",
		}
		if !slices.Equal(subjects, want) {
			t.Errorf("subjects\n%s\nwant\n%s", strings.Join(subjects, "\n"), strings.Join(want, "\n"))
		}
	})
}

// TestFirstStep: what comes then, or explains, is left to the text.
func TestFirstStep(t *testing.T) {
	for action, want := range map[string]string{
		"": "", "Ventilate": "ventilate", "Check level, clips; lower the current.": "check level, clips", "Make room on the disk.": "make room on the disk",
		"Find why before resetting it: a clip off.": "find why before resetting it", "Switch off, then lift the cathode, then look.": "switch off",
	} {
		if got := firstStep(action); got != want {
			t.Errorf("of %q: %q, want %q", action, got, want)
		}
	}
	for _, c := range alerts.Conditions() {
		if step := firstStep(c.About().First); step == "" || len(step) > 90 {
			t.Errorf("%s: %q does not suit a subject", c, step)
		}
	}
}

// TestAnAlarmThatIsOverSaysWhatItStillAsksFor, once: nobody is woken again for what is over.
func TestAnAlarmThatIsOverSaysWhatItStillAsksFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario+"[[event]]\nat = \"10 min\"\nkind = \"hard-short\"\nohms = 0.03\nlasts = \"5 min\"\n")
		c, _, phone := toldBy(t, b)
		stop := start(t, c)
		<-time.After(30 * time.Minute)
		if got := phone.of(alerts.HardShort); got != "alarm cleared" {
			t.Fatalf("of the short: %q", got)
		}
		phone.mu.Lock()
		got := slices.Clone(phone.got)
		phone.mu.Unlock()
		for _, n := range got {
			if n.Kind == routes.Cleared && n.Condition == alerts.HardShort.String() && n.Subject != "zinc-1: hard-short is over, still to be acknowledged and reset" {
				t.Errorf("subject %q in %s", n.Subject, n.State)
			}
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestCurrentThatNobodyWatchesIsSaid: where no run can begin there is no log to take the notice.
func TestCurrentThatNobodyWatchesIsSaid(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		c, disk, phone := toldBy(t, b)
		disk.set(true)
		stop := start(t, c)
		<-time.After(10 * time.Minute)
		if got := phone.of(alerts.LogDisk); got != "alarm" {
			t.Fatalf("the phone hears %q", got)
		}
		if n := phone.got[0]; !strings.Contains(n.Subject, "nobody watches") || !strings.Contains(n.Text, "permission denied") || n.Priority != routes.High {
			t.Errorf("%+v", n)
		}
		const unwatched = "Zinc 1 has not begun, although current flows: nothing is counted. Log disk: 3."
		if said := sentence.Of(c.Latest(), time.Now(), time.UTC); !strings.HasPrefix(said.String(), unwatched) || said.Standing != sentence.Act {
			t.Errorf("the page says %q (%s)", said, said.Standing)
		}
		disk.set(false)
		<-time.After(10 * time.Minute)
		if said := sentence.Of(c.Latest(), time.Now(), time.UTC); said.Standing == sentence.Act || strings.Contains(said.String(), "Log disk") {
			t.Errorf("once a run has begun the page says %q", said)
		}
		if got := phone.of(alerts.LogDisk); got != "alarm cleared" {
			t.Errorf("once a run has begun: %q", got)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
