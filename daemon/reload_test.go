package daemon

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

// reloading is a daemon whose configuration a test rewrites.
type reloading struct {
	*Daemon
	dir string
	// What the next reading of the configuration finds.
	lines, rest string
	err         error
}

func newReloading(t *testing.T, b *bench) *reloading {
	t.Helper()
	r := &reloading{dir: t.TempDir()}
	r.Daemon = daemonOf(t, b, r.dir, "", "")
	r.o.Load = func() (*configs.Config, error) {
		if r.err != nil {
			return nil, r.err
		}
		return configs.Parse("test.toml", fmt.Appendf(nil, zincConfig, r.dir, filepath.Join(r.dir, "s"), r.lines, `recover = "68 %"`, r.rest))
	}
	r.boxes[0].box.Load().Start()
	return r
}

// inForce asks the cell's loop for what it goes by.
func (r *reloading) inForce(t *testing.T) Settings {
	t.Helper()
	s, err := answer(t.Context(), r.cells[0], func(context.Context) (Settings, error) { return r.cells[0].set, nil })
	if err != nil {
		t.Fatal(err)
	}
	return s
}

const otherLimit = "[cell.zinc-1.alarm.over-current]\npriority = \"low\"\n"

// TestReloadTakesAllOrNothing reads configurations anew, good ones and bad ones.
func TestReloadTakesAllOrNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		r := newReloading(t, b)
		stop := start(t, r.cells[0])
		<-time.After(time.Minute)
		before, box := r.inForce(t), r.boxes[0].box.Load()
		for _, tt := range []struct {
			name, lines, rest, want string
			err                     error
		}{
			{name: "a mistake", err: errors.New("test.toml:3: no such key"), want: "no such key"},
			{name: "another poll", lines: "# nothing", rest: otherLimit + "[cell.zinc-1.room]\nvolume = \"20 m3\"\n", want: "cell.zinc-1.room"},
			{name: "another cell", rest: otherLimit + "[cell.second]\nsupply = \"bench\"\nchannel = 2\n", want: "cells or their order"},
			{name: "a push", rest: otherLimit + "[push.house]\nurl = \"http://127.0.0.1:1\"\nform = \"v1\"\ndatabase = \"d\"\n", want: "push"},
			{name: "a route that cannot be built", rest: otherLimit + "[route.phone]\nkind = \"webhook\"\nurl_file = \"/nonexistent/url\"\n", want: "/nonexistent/url"},
		} {
			r.lines, r.rest, r.err = tt.lines, tt.rest, tt.err
			err := r.Reload(t.Context())
			if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "stays in force") {
				t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
			}
			now := r.inForce(t)
			if got, want := now.Limits.Setting(alerts.OverCurrent).Priority, before.Limits.Setting(alerts.OverCurrent).Priority; got != want || r.boxes[0].box.Load() != box {
				t.Errorf("%s: something was taken over all the same", tt.name)
			}
		}
		r.err, r.rest = nil, otherLimit
		r.lines = "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\""
		if err := r.Reload(t.Context()); err != nil {
			t.Fatal(err)
		}
		now := r.inForce(t)
		if now.Limits.Setting(alerts.OverCurrent).Priority != alerts.Low || now.HoldAmperes != 0.2 || now.AtTarget != Hold || !now.May.Hold {
			t.Errorf("not all is in force: %+v", now)
		}
		if !strings.Contains(string(now.Frozen), "0.2 A") {
			t.Error("the next run would be kept with the configuration before")
		}
		if r.boxes[0].box.Load() == box {
			t.Error("the routes are the ones before")
		}
		out, err := operator{r.Daemon}.Hold(t.Context(), control.CellOrder{Cell: "zinc-1", By: "test"})
		if err != nil || !out.Verified || !strings.Contains(out.Text, "0.2 A") {
			t.Errorf("hold after the reload: %+v, %v", out, err)
		}
		if err := errors.Join(stop(), r.stopBoxes()); err != nil {
			t.Fatal(err)
		}
		if err := r.Reload(t.Context()); err == nil || !strings.Contains(err.Error(), "stopping") {
			t.Errorf("a reload after the end gives %v", err)
		}
	})
}

// TestReloadWaitsForNobody reloads while the cell's loop hangs: the cell takes its
// orders when it comes round.
func TestReloadWaitsForNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		r := newReloading(t, b)
		stop := start(t, r.cells[0])
		<-time.After(time.Minute)
		r.rest = otherLimit
		held, done := make(chan struct{}), make(chan error)
		go func() { done <- r.cells[0].ask(t.Context(), func(context.Context) error { <-held; return nil }) }()
		<-time.After(time.Second)
		began := time.Now()
		if err := r.Reload(t.Context()); err != nil {
			t.Error(err)
		}
		if took := time.Since(began); took > reloadTime+time.Second {
			t.Errorf("the reload took %v", took)
		}
		close(held)
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		<-time.After(6 * time.Second)
		if s := r.inForce(t); s.Limits.Setting(alerts.OverCurrent).Priority != alerts.Low {
			t.Error("the new limits never came into force")
		}
		if err := errors.Join(stop(), r.stopBoxes()); err != nil {
			t.Fatal(err)
		}
	})
}

// TestAskingACellThatHasEnded gives an answer at once.
func TestAskingACellThatHasEnded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		d := daemonOf(t, b, t.TempDir(), "", "")
		stop := start(t, d.cells[0])
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if err := (operator{d}).Acknowledge(context.Background(), control.AlarmOrder{Cell: "zinc-1", Condition: "over-current", By: "test"}); err == nil || !strings.Contains(err.Error(), "has ended") {
			t.Errorf("got %v", err)
		}
	})
}

// TestALateAnswerTouchesNothing gives a request up while the loop is at it; run with
// -race it shows that what comes late is written nowhere.
func TestALateAnswerTouchesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		d := daemonOf(t, b, t.TempDir(), "", "")
		stop := start(t, d.cells[0])
		<-time.After(time.Minute)
		b.set(func() { b.slow = 10 * time.Second })
		impatient, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		checks, err := operator{d}.Begin(impatient, control.BeginOrder{Cell: "zinc-1", By: "test"})
		if !errors.Is(err, context.DeadlineExceeded) || len(checks) == 0 {
			t.Errorf("got %+v, %v", checks, err)
		}
		b.set(func() { b.slow = 0 })
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestReloadGoesOnWithWhatTheLogDoesNotTake: a route is mended by a reload while the disk is full.
func TestReloadGoesOnWithWhatTheLogDoesNotTake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReloading(t, newBench(t, drivers.NewClock(1), liveScenario))
		stop := start(t, r.cells[0])
		r.rest = "[route.phone]\nkind = \"webhook\"\nurl = \"http://127.0.0.1:1/\"\n" // nobody listens there
		if err := r.Reload(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.boxes[0].box.Load().Tell(routes.Notice{ID: "a", Cell: "zinc-1", Kind: routes.Alarm, Priority: routes.High, At: time.Now()})
		<-time.After(time.Hour)
		if err := r.Reload(t.Context()); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Minute)
		if h := r.boxes[0].box.Load().Health(); len(h) != 1 || h[0].Lag < time.Hour || h[0].Failures == 0 {
			t.Errorf("after a reload: %+v", h)
		}
		if err := errors.Join(stop(), r.stopBoxes()); err != nil {
			t.Fatal(err)
		}
	})
}
