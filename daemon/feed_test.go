package daemon

import (
	"math"
	"net/http"
	"net/http/httptest"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestSignsOfLife goes through what can become of a cell and asks for the watchdog's
// food and for the beats towards the outside.
func TestSignsOfLife(t *testing.T) {
	type life struct{ kept, beats bool }
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), "name = \"idle\"\n[supply]\noutput = \"off\"\n")
		b.Gone = true
		var wall atomic.Int64
		loop := make(chan chan struct{}, 1)
		d := daemonOf(t, b, t.TempDir(), "", "", hanging(loop), func(_ *watch.Settings, m *watch.Machine) {
			m.UTC = func() time.Time { return time.Now().UTC().Add(time.Duration(wall.Load())) }
		})
		c := d.posts()[0].Cell
		expect := func(what string, want life) {
			t.Helper()
			pulses, beats := d.pulses()
			if got := (life{d.kept(), beats}); got != want {
				t.Errorf("%s: %+v, want %+v", what, got, want)
			}
			asked := httptest.NewRecorder()
			d.healthz(asked, nil)
			if (asked.Code == http.StatusOK) != want.kept || asked.Code != http.StatusOK && asked.Code != http.StatusServiceUnavailable {
				t.Errorf("%s: /healthz answers %d", what, asked.Code)
			}
			for _, p := range pulses {
				if math.IsInf(p.ReadingAgeSeconds, 0) || math.IsNaN(p.ReadingAgeSeconds) || p.ReadingAgeSeconds < 0 {
					t.Errorf("%s: a pulse of %+v cannot be sent", what, p)
				}
			}
		}
		expect("not begun", life{})
		stop := watchtest.Start(t, c)
		<-time.After(time.Hour)
		expect("an idle cell whose supply is switched off", life{false, true})
		b.Change(func() { b.Gone = false })
		<-time.After(5 * time.Minute)
		expect("an idle cell", life{true, true})
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Hour)
		expect("a run", life{true, true})
		b.Change(func() { b.Gone = true })
		<-time.After(18 * time.Second)
		expect("a silence that is not yet an alarm", life{true, true})
		<-time.After(30 * time.Second)
		expect("a silence that is an alarm", life{false, false})
		wall.Store(int64(-time.Hour))
		<-time.After(10 * time.Minute)
		expect("the same, with the wall clock an hour back", life{false, false})
		if age := toldAge(t, d); age < 600 {
			t.Errorf("the newest reading is told to be %.0f s old", age)
		}
		b.Change(func() { b.Gone = false })
		<-time.After(5 * time.Minute)
		expect("back again", life{true, true})
		held := make(chan struct{})
		loop <- held
		<-time.After(time.Minute)
		expect("a loop that hangs", life{})
		close(held)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

// TestAReloadIsNoSickness: while one watch hands its cell over to the next, and a cell is added, nothing tells a supervisor to restart the
// daemon, as long as the first round of neither is overdue.
func TestAReloadIsNoSickness(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b, dir := watchtest.New(t, drivers.NewClock(1), watchtest.Live), t.TempDir()
		d := daemonOf(t, b, dir, "", "")
		before := d.posts()[0]
		stop := watchtest.Start(t, before.Cell)
		<-time.After(time.Minute)
		cfg := d.config.Load()
		var posts []*post
		for range 2 {
			s, err := watch.SettingsOf(cfg, &cfg.Cells[0], nil, b.Clock, d.o.Log)
			if err != nil {
				t.Fatal(err)
			}
			posts = append(posts, &post{Cell: watch.New(s, watch.MachineOf(b.Clock))})
		}
		posts[0].Follow(before.Cell)
		posts[0].box.Store(before.box.Load())
		d.cells.Store(&posts)
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		for _, step := range []struct {
			after time.Duration
			code  int
		}{{0, http.StatusOK}, {9 * time.Second, http.StatusOK}, {time.Minute, http.StatusServiceUnavailable}} {
			<-time.After(step.after)
			asked := httptest.NewRecorder()
			if d.healthz(asked, nil); asked.Code != step.code || d.kept() != (step.code == http.StatusOK) {
				t.Errorf("%v after the hand-over: %d", step.after, asked.Code)
			}
		}
	})
}

func toldAge(t *testing.T, d *Daemon) float64 {
	t.Helper()
	all, err := d.Operator().Status(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("status: %v, %v", all, err)
	}
	return float64(all[0].ReadingAgeSeconds)
}

// TestAWatchThatCannotBeginGivesNoBeat takes the data directory away: current flows, and nobody counts it.
func TestAWatchThatCannotBeginGivesNoBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		disk := &watchtest.Disk{}
		disk.Barred.Store(true)
		d := daemonOf(t, b, t.TempDir(), "", "", onDisk(disk))
		c := d.posts()[0].Cell
		stop := watchtest.Start(t, c)
		<-time.After(time.Minute)
		if _, beats := d.pulses(); beats {
			t.Error("beats go out although no run can begin")
		}
		disk.Barred.Store(false)
		<-time.After(time.Minute)
		s := c.Latest()
		if _, beats := d.pulses(); !beats || s.Run == "" {
			t.Error("no beats although the run has begun")
		}
		if counted, truth := s.Charge.CountedCoulombs, b.Instrument.Truth(1).Charge; counted < truth-40 {
			t.Errorf("%.0f C are counted of %.0f C: those before the run could begin are missing", counted, truth)
		}
		if _, silent := watchtest.Standing(s, alerts.SupplySilent); silent {
			t.Error("the supply counts as silent")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
