package watch

import (
	"context"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/notices"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// toldBy joins a cell on a disk of its own to a route that reads its log.
func toldBy(t *testing.T, b *watchtest.Bench) (*Cell, *watchtest.Disk, *watchtest.LetterBox) {
	t.Helper()
	dir, phone, disk := t.TempDir(), &watchtest.LetterBox{}, &watchtest.Disk{}
	c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
	box, err := routes.NewOutbox(routes.Options{
		Source: notices.NewSource(dir, "zinc-1"), Clock: b.Clock, Store: routes.Directory{Path: t.TempDir(), Write: writeSmall},
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
	c.settings.FS, c.settings.Tell, c.settings.Wake = disk, box.Tell, box.Wake
	return c, disk, phone
}

// TestAFullDiskDoesNotKeepAnAlarmFromPeople: the log is the queue, but what it cannot take goes out all the same, once.
func TestAFullDiskDoesNotKeepAnAlarmFromPeople(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"30 min\"\nkind = \"hard-short\"\nohms = 0.03\n")
		c, disk, phone := toldBy(t, b)
		stop := watchtest.Start(t, c)
		<-time.After(20 * time.Minute)
		disk.Full.Store(true)
		<-time.After(20 * time.Minute)
		if got := phone.Of(alerts.HardShort); got != "alarm" {
			t.Errorf("while the disk is full the phone hears of the short: %q", got)
		}
		disk.Full.Store(false)
		<-time.After(20 * time.Minute)
		if got := phone.Of(alerts.HardShort); got != "alarm" {
			t.Errorf("with space again: %q", got)
		}
		if got := phone.Of(alerts.LogDisk); got != "alarm cleared" {
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
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"10 min\"\nkind = \"hard-short\"\nohms = 0.03\n"+
			"[[event]]\nat = \"15 min\"\nkind = \"panel\"\namperes = 3.8\n")
		c, _, phone := toldBy(t, b)
		stop := watchtest.Start(t, c)
		<-time.After(30 * time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		synctest.Wait() // for the route
		var subjects []string
		for _, n := range phone.Got() {
			subjects = append(subjects, n.Subject+" | after "+n.After)
		}
		want := []string{
			"zinc-1: hard-short, 0.153 V at 3 A: switch off or down to the hold current | after ",
			"zinc-1: over-current, 3.802 A: lower the current set-point | after hard-short",
			"zinc-1: set-points-changed, now 6 V and 3.8 A: find out who changed it | after hard-short",
			"zinc-1: nightcell stopped, the supply continues to deliver 3.8 A | after ",
		}
		if !slices.Equal(subjects, want) {
			t.Errorf("subjects\n%s\nwant\n%s", strings.Join(subjects, "\n"), strings.Join(want, "\n"))
		}
	})
}

// TestAnAlarmThatIsOverSaysWhatItStillAsksFor, once: nobody is woken again for what is over.
func TestAnAlarmThatIsOverSaysWhatItStillAsksFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live+"[[event]]\nat = \"10 min\"\nkind = \"hard-short\"\nohms = 0.03\nlasts = \"5 min\"\n")
		c, _, phone := toldBy(t, b)
		stop := watchtest.Start(t, c)
		<-time.After(30 * time.Minute)
		if got := phone.Of(alerts.HardShort); got != "alarm cleared" {
			t.Fatalf("of the short: %q", got)
		}
		got := phone.Got()
		for _, n := range got {
			if n.Kind == routes.Cleared && n.Condition == alerts.HardShort.String() && n.Subject != "zinc-1: hard-short cleared, latched until acknowledged and reset" {
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
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		c, disk, phone := toldBy(t, b)
		disk.Barred.Store(true)
		stop := watchtest.Start(t, c)
		<-time.After(10 * time.Minute)
		if got := phone.Of(alerts.LogDisk); got != "alarm" {
			t.Fatalf("the phone hears %q", got)
		}
		if n := phone.Got()[0]; !strings.Contains(n.Subject, "unmonitored") || !strings.Contains(n.Text, "permission denied") || n.Priority != alerts.High {
			t.Errorf("%+v", n)
		}
		const unwatched = "Zinc 1 has not started although current flows: no charge is counted. Log disk: 3."
		if said := sentence.Of(c.Latest(), time.Now(), time.UTC); !strings.HasPrefix(said.String(), unwatched) || said.Standing != sentence.Act {
			t.Errorf("the page says %q (%s)", said, said.Standing)
		}
		disk.Barred.Store(false)
		<-time.After(10 * time.Minute)
		if said := sentence.Of(c.Latest(), time.Now(), time.UTC); said.Standing == sentence.Act || strings.Contains(said.String(), "Log disk") {
			t.Errorf("once a run has begun the page says %q", said)
		}
		if got := phone.Of(alerts.LogDisk); got != "alarm cleared" {
			t.Errorf("once a run has begun: %q", got)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

func writeSmall(path string, data []byte) error {
	return runlog.WriteFileAtomic(runlog.Disk{}, path, data, 0o640)
}
