package routes

import (
	"context"
	"errors"
	"fmt"
	"nightcell/alerts"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// TestWhatTheSourceCannotHoldGoesOut while its disk takes nothing, by the same rules, and
// not once more when the source has it at last.
func TestWhatTheSourceCannotHoldGoesOut(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source := &journal{}
		phone, second, low := &inbox{name: "phone"}, &inbox{name: "second"}, &inbox{name: "high only"}
		box := open(t, Options{Source: source}, Way{Route: phone, Repeat: 10 * time.Minute}, Way{Route: second, After: 30 * time.Minute}, Way{Route: low, Least: alerts.High})
		whisker, short := alarm("a", "whisker", alerts.Medium), alarm("b", "hard-short", alerts.Highest)
		box.Tell(whisker)
		box.Tell(short)
		flush(t, box)
		equal(t, phone.ids(), "a", "b")
		equal(t, second.ids())
		equal(t, low.ids(), "b")
		<-time.After(31 * time.Minute)
		flush(t, box)
		equal(t, phone.ids(), "a", "b", "a-repeat-1", "b-repeat-1", "a-repeat-2", "b-repeat-2", "a-repeat-3", "b-repeat-3")
		equal(t, second.ids(), "a", "b")
		over := closing("c", "hard-short", Cleared, alerts.Highest)
		box.Tell(over)
		flush(t, box)
		source.add(whisker, short, over, alarm("d", "contact", alerts.High)) // space is back
		box.Wake()
		flush(t, box)
		equal(t, second.ids(), "a", "b", "c")
		equal(t, low.ids(), "b", "c", "d")
		if ids := phone.ids(); ids[len(ids)-2] != "c" || ids[len(ids)-1] != "d" {
			t.Errorf("the phone got %q", ids)
		}
	})
}

// TestWhatTheSourceCannotHoldIsTriedAgain, within bounds, and the most urgent outlasts the rest.
func TestWhatTheSourceCannotHoldIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &inbox{name: "phone"}
		var dead atomic.Bool
		dead.Store(true)
		phone.answer = func(context.Context, Notice) error {
			if dead.Load() {
				return errors.New("no route to host")
			}
			return nil
		}
		box := open(t, Options{Source: &journal{}}, Way{Route: phone})
		box.Tell(alarm("short", "hard-short", alerts.Highest))
		for i := range 3 * mostUrgent {
			box.Tell(alarm(fmt.Sprintf("%03d", i), fmt.Sprintf("c%d", i), alerts.Low))
		}
		<-time.After(time.Hour)
		if h := box.Health()[0]; h.Lag < 50*time.Minute {
			t.Errorf("after an hour: %+v", h)
		}
		dead.Store(false)
		<-time.After(5 * time.Minute)
		flush(t, box)
		if ids := phone.ids(); len(ids) != mostUrgent || ids[0] != "short" || ids[len(ids)-1] != fmt.Sprintf("%03d", 3*mostUrgent-1) {
			t.Errorf("%d came: %q", len(phone.ids()), phone.ids())
		}
	})
}

// TestWhatTheSourceCannotHoldKeepsItsPlace behind what the source has: an alarm told after its own end would be reminded of for ever.
func TestWhatTheSourceCannotHoldKeepsItsPlace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, phone := &journal{}, &inbox{name: "phone"}
		var dead atomic.Bool
		dead.Store(true)
		phone.answer = func(context.Context, Notice) error {
			if dead.Load() {
				return errors.New("no route to host")
			}
			return nil
		}
		box := open(t, Options{Source: source}, Way{Route: phone, Repeat: time.Hour})
		flush(t, box)
		source.add(alarm("a", "whisker", alerts.High))
		box.Wake()
		<-time.After(time.Minute)
		box.Tell(closing("b", "whisker", Cleared, alerts.High)) // the disk has filled meanwhile
		dead.Store(false)
		<-time.After(6 * time.Hour)
		equal(t, phone.ids(), "a", "b")
	})
}

// TestWhatTheSourceCannotHoldWaitsForTheEndOfQuietHours, whether or not the source has it by
// then, and comes once.
func TestWhatTheSourceCannotHoldWaitsForTheEndOfQuietHours(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // begins at midnight
		source, phone := &journal{}, &inbox{name: "phone"}
		box := open(t, Options{Source: source}, Way{Route: phone, Quiet: Quiet{From: time.Hour, To: 7 * time.Hour, Always: alerts.Highest}})
		flush(t, box)
		before := alarm("before", "contact", alerts.High)
		box.Tell(before)
		<-time.After(2 * time.Hour)
		logged := alarm("logged", "whisker", alerts.High)
		box.Tell(alarm("nowhere", "log-disk", alerts.High))
		box.Tell(logged)
		box.Tell(alarm("short", "hard-short", alerts.Highest))
		<-time.After(time.Hour)
		equal(t, phone.ids(), "before", "short")
		held := alarm("held", "drift", alerts.High)
		source.add(held, before, logged)
		<-time.After(time.Hour)
		equal(t, phone.ids(), "before", "short")
		<-time.After(4 * time.Hour)
		equal(t, phone.ids(), "before", "short", "held", "logged", "nowhere")
	})
}

// TestWhatNoSourceHasIsNotRemindedOfByTheNextProcess: nothing would ever end it there. The far side
// of a route that keeps alarms hears of the end all the same.
func TestWhatNoSourceHasIsNotRemindedOfByTheNextProcess(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, store := &journal{}, &shelf{}
		run := func() (*Outbox, *inbox, *inbox) {
			phone, second := &inbox{name: "phone"}, &inbox{name: "second"}
			box := open(t, Options{Source: source, Store: store}, Way{Route: phone, Repeat: 10 * time.Minute}, Way{Route: second, After: time.Hour})
			flush(t, box)
			return box, phone, second
		}
		box, phone, _ := run()
		logged := alarm("logged", "whisker", alerts.High)
		box.Tell(logged)
		box.Tell(alarm("nowhere", "log-disk", alerts.High))
		flush(t, box)
		source.add(logged)
		flush(t, box)
		equal(t, phone.ids(), "logged", "nowhere")
		stop(t, box)
		_, phone, second := run()
		<-time.After(61 * time.Minute)
		if ids := phone.ids(); len(ids) != 6 || ids[0] != "logged-repeat-1" || ids[5] != "logged-repeat-6" {
			t.Errorf("the phone got %q", ids)
		}
		equal(t, second.ids(), "logged")
	})
}

// TestAReloadLosesNothingThatNoSourceHas: the next Outbox of the process goes on with it.
func TestAReloadLosesNothingThatNoSourceHas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		source, store, phone := &journal{}, &shelf{}, &inbox{name: "phone"}
		var dead atomic.Bool
		phone.answer = func(context.Context, Notice) error {
			if dead.Load() {
				return errors.New("no route to host")
			}
			return nil
		}
		way := Way{Route: phone, Repeat: time.Hour}
		before := open(t, Options{Source: source, Store: store}, way)
		told, waiting, late := alarm("told", "log-disk", alerts.High), alarm("waiting", "whisker", alerts.High), alarm("late", "contact", alerts.High)
		before.Tell(told)
		flush(t, before)
		dead.Store(true)
		before.Tell(waiting)
		<-time.After(time.Minute)
		stop(t, before)
		box, err := NewOutbox(Options{Source: source, Store: store, Clock: wall{}}, way, Way{Route: &inbox{name: "new"}})
		if err != nil {
			t.Fatal(err)
		}
		box.Tell(late)
		box.TakeOver(before)
		dead.Store(false)
		box.Start()
		defer stop(t, box)
		flush(t, box)
		equal(t, phone.ids(), "told", "waiting", "late")
		source.add(told, waiting, late)
		flush(t, box)
		<-time.After(50 * time.Minute)
		equal(t, phone.ids(), "told", "waiting", "late")
		<-time.After(10 * time.Minute)
		if ids := phone.ids(); len(ids) < 4 || ids[3] != "told-repeat-1" {
			t.Errorf("the phone got %q", ids)
		}
	})
}

// torn is a Source that cannot be read.
type torn struct{ journal }

func (*torn) Next(context.Context, string) (Notice, string, error) {
	return Notice{}, "", errors.New("input/output error")
}

// TestASourceThatCannotBeReadHoldsNothingUp: what was told past it goes out all the same.
func TestASourceThatCannotBeReadHoldsNothingUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		phone := &inbox{name: "phone"}
		box := open(t, Options{Source: &torn{}}, Way{Route: phone})
		<-time.After(time.Minute)
		box.Tell(alarm("a", "hard-short", alerts.Highest))
		box.Tell(alarm("b", "log-disk", alerts.High))
		<-time.After(5 * time.Minute)
		equal(t, phone.ids(), "a", "b")
	})
}
