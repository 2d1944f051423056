package daemon

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/push"
	"nightcell/daemon/run"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// reloading is a daemon whose configuration a test rewrites.
type reloading struct {
	*Daemon
	dir  string
	loop chan chan struct{} // see hanging
	// What the next reading of the configuration finds.
	lines, rest string
	err         error
}

func newReloading(t *testing.T, b *watchtest.Bench) *reloading {
	t.Helper()
	r := &reloading{dir: t.TempDir(), loop: make(chan chan struct{}, 1)}
	r.Daemon = daemonOf(t, b, r.dir, "", "", hanging(r.loop))
	r.o.Load = func() (*configs.Config, error) {
		if r.err != nil {
			return nil, r.err
		}
		return watchtest.Zinc(r.dir, r.lines, `recover = "68 %"`, r.rest)
	}
	r.posts()[0].box.Load().Start()
	return r
}

// taken counts how often the cell's run has taken new orders, by its log.
func (r *reloading) taken(t *testing.T) (n int) {
	t.Helper()
	watchtest.EachRecord(t, r.posts()[0].Cell.Latest().Run, func(rec *runlog.Record) {
		if rec.Kind == runlog.KindEntry && rec.Text("kind") == "limits" {
			n++
		}
	})
	return n
}

const otherLimit = "[cell.zinc-1.alarm.over-current]\npriority = \"low\"\n"

// TestReloadTakesAllOrNothing reads configurations anew, good ones and bad ones.
func TestReloadTakesAllOrNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		r := newReloading(t, b)
		stop := watchtest.Start(t, r.posts()[0].Cell)
		<-time.After(time.Minute)
		box := r.posts()[0].box.Load()
		for _, tt := range []struct {
			name, lines, rest, want string
			err                     error
		}{
			{name: "a mistake", err: errors.New("test.toml:3: no such key"), want: "no such key"},
			{name: "a heartbeat", rest: "[heartbeat]\nurl = \"http://127.0.0.1:1/\"\nevery = \"1 min\"\n", want: "changed: heartbeat; restart"},
			{name: "a cell before the daemon runs", rest: otherLimit + "[cell.second]\nsupply = \"bench\"\nchannel = 2\n", want: "still starting"},
			{name: "a push before the daemon runs", rest: otherLimit + "[push.house]\nurl = \"http://127.0.0.1:1\"\nform = \"v1\"\ndatabase = \"d\"\n", want: "still starting"},
			{name: "a push that cannot be built", rest: otherLimit + "[push.house]\nurl = \"http://127.0.0.1:1\"\nform = \"v1\"\ndatabase = \"d\"\nca_file = \"/nonexistent/ca\"\n", want: "/nonexistent/ca"},
			{name: "a route that cannot be built", rest: otherLimit + "[route.phone]\nkind = \"webhook\"\nurl_file = \"/nonexistent/url\"\n", want: "/nonexistent/url"},
		} {
			r.lines, r.rest, r.err = tt.lines, tt.rest, tt.err
			err := r.Reload(t.Context())
			if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), "stays in force") {
				t.Errorf("%s: %v, want %q", tt.name, err, tt.want)
			}
			if r.taken(t) != 0 || r.posts()[0].box.Load() != box {
				t.Errorf("%s: something was taken over all the same", tt.name)
			}
		}
		r.lines, r.rest, r.err, r.startPushes = "", "", nil, func([]*push.Push) { t.Error("pushes were exchanged") }
		with := append(slices.Clone(r.posts()), &post{Cell: watch.New(watch.Settings{Settings: run.Settings{Cell: "second"}}, watch.MachineOf(b.Clock))})
		r.Daemon.cells.Store(&with)
		if err := r.Reload(t.Context()); err == nil || !strings.Contains(err.Error(), "still starting") {
			t.Errorf("a cell left out before the daemon runs: %v", err)
		}
		with = with[:1]
		r.Daemon.cells.Store(&with)
		r.err, r.rest = nil, otherLimit
		r.lines = "may = [\"hold\"]\nat_target = \"hold\"\nhold_current = \"0.2 A\""
		if err := r.Reload(t.Context()); err != nil {
			t.Fatal(err)
		}
		<-time.After(6 * time.Second) // the next round publishes it
		if may := r.posts()[0].Cell.Latest().May; r.taken(t) != 1 || may.String() != "hold" {
			t.Errorf("orders taken %d times, may %q", r.taken(t), may)
		}
		if r.posts()[0].box.Load() == box {
			t.Error("the routes are the ones before")
		}
		out, err := r.Operator().Hold(t.Context(), control.CellOrder{Cell: "zinc-1", By: "test"})
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
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		r := newReloading(t, b)
		stop := watchtest.Start(t, r.posts()[0].Cell)
		<-time.After(time.Minute)
		r.rest = otherLimit
		held := make(chan struct{})
		r.loop <- held
		<-time.After(15 * time.Second)
		began := time.Now()
		if err := r.Reload(t.Context()); err != nil {
			t.Error(err)
		}
		if took := time.Since(began); took > reloadTime+time.Second {
			t.Errorf("the reload took %v", took)
		}
		if r.taken(t) != 0 {
			t.Error("a loop that hangs has taken its orders")
		}
		close(held)
		<-time.After(6 * time.Second)
		if r.taken(t) != 1 {
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
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		d := daemonOf(t, b, t.TempDir(), "", "")
		stop := watchtest.Start(t, d.posts()[0].Cell)
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if err := d.Operator().ChangeAlarm(context.Background(), control.AlarmOrder{Act: control.Acknowledge, Cell: "zinc-1", Condition: "over-current", By: "test"}); err == nil || !strings.Contains(err.Error(), "has ended") {
			t.Errorf("got %v", err)
		}
	})
}

// TestALateAnswerTouchesNothing gives a request up while the loop is at it; run with
// -race it shows that what comes late is written nowhere.
func TestALateAnswerTouchesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		d := daemonOf(t, b, t.TempDir(), "", "")
		stop := watchtest.Start(t, d.posts()[0].Cell)
		<-time.After(time.Minute)
		b.Change(func() { b.Slow = 10 * time.Second })
		impatient, cancel := context.WithTimeout(t.Context(), 3*time.Second)
		defer cancel()
		checks, err := d.Operator().Begin(impatient, control.BeginOrder{Cell: "zinc-1", By: "test"})
		if !errors.Is(err, context.DeadlineExceeded) || len(checks) == 0 {
			t.Errorf("got %+v, %v", checks, err)
		}
		b.Change(func() { b.Slow = 0 })
		<-time.After(time.Minute)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestReloadGoesOnWithWhatTheLogDoesNotTake: a route is mended by a reload while the disk is full.
func TestReloadGoesOnWithWhatTheLogDoesNotTake(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newReloading(t, watchtest.New(t, drivers.NewClock(1), watchtest.Live))
		stop := watchtest.Start(t, r.posts()[0].Cell)
		r.rest = "[route.phone]\nkind = \"webhook\"\nurl = \"http://127.0.0.1:1/\"\n" // nobody listens there
		if err := r.Reload(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.posts()[0].box.Load().Tell(routes.Notice{ID: "a", Cell: "zinc-1", Kind: routes.Alarm, Priority: alerts.High, At: time.Now()})
		<-time.After(time.Hour)
		if err := r.Reload(t.Context()); err != nil {
			t.Fatal(err)
		}
		<-time.After(time.Minute)
		if h := r.posts()[0].box.Load().Health(); len(h) != 1 || h[0].Lag < time.Hour || h[0].Failed == 0 {
			t.Errorf("after a reload: %+v", h)
		}
		if err := errors.Join(stop(), r.stopBoxes()); err != nil {
			t.Fatal(err)
		}
	})
}
