package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"math"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/drivers"
)

// daemonOf is a daemon of one zinc cell on a bench, with nothing around it.
func daemonOf(t *testing.T, b *bench, dir, cellLines, rest string) *Daemon {
	t.Helper()
	cfg, err := configs.Parse("test.toml", fmt.Appendf(nil, zincConfig, dir, filepath.Join(dir, "s"), cellLines, `recover = "68 %"`, rest))
	if err != nil {
		t.Fatal(err)
	}
	d := &Daemon{o: Options{Config: cfg, Clock: b.clock, Log: slog.New(slog.DiscardHandler)}}
	d.config.Store(cfg)
	d.cells = []*Cell{zincCell(t, b, dir, cellLines, `recover = "68 %"`, rest)}
	d.boxes = []*outbox{{cell: "zinc-1"}}
	boxes, err := d.newBoxes(cfg)
	if err != nil {
		t.Fatal(err)
	}
	d.boxes[0].box.Store(boxes[0])
	return d
}

// TestSignsOfLife goes through what can become of a cell and asks for the watchdog's
// food and for the beats towards the outside.
func TestSignsOfLife(t *testing.T) {
	type life struct{ kept, beats bool }
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), "name = \"idle\"\n[supply]\noutput = \"off\"\n")
		b.gone = true
		d := daemonOf(t, b, t.TempDir(), "", "")
		c := d.cells[0]
		var wall time.Duration
		c.m.utc = func() time.Time { return time.Now().UTC().Add(wall) }
		expect := func(what string, want life) {
			t.Helper()
			pulses, beats := d.pulses()
			if got := (life{d.kept(), beats}); got != want {
				t.Errorf("%s: %+v, want %+v", what, got, want)
			}
			for _, p := range pulses {
				if math.IsInf(p.ReadingAgeSeconds, 0) || math.IsNaN(p.ReadingAgeSeconds) || p.ReadingAgeSeconds < 0 {
					t.Errorf("%s: a pulse of %+v cannot be sent", what, p)
				}
			}
		}
		expect("not begun", life{})
		stop := start(t, c)
		<-time.After(time.Hour)
		expect("an idle cell whose supply is switched off", life{false, true})
		b.set(func() { b.gone = false })
		<-time.After(5 * time.Minute)
		expect("an idle cell", life{true, true})
		b.i.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Hour)
		expect("a run", life{true, true})
		b.set(func() { b.gone = true })
		<-time.After(18 * time.Second)
		expect("a silence that is not yet an alarm", life{true, true})
		<-time.After(30 * time.Second)
		expect("a silence that is an alarm", life{false, false})
		if err := c.ask(t.Context(), func(context.Context) error { wall = -time.Hour; return nil }); err != nil {
			t.Fatal(err)
		}
		<-time.After(10 * time.Minute)
		expect("the same, with the wall clock an hour back", life{false, false})
		if age := toldAge(t, d); age < 600 {
			t.Errorf("the newest reading is told to be %.0f s old", age)
		}
		b.set(func() { b.gone = false })
		<-time.After(5 * time.Minute)
		expect("back again", life{true, true})
		held := make(chan struct{})
		done := make(chan error)
		go func() {
			done <- c.ask(t.Context(), func(context.Context) error { <-held; return nil })
		}()
		<-time.After(time.Minute)
		expect("a loop that hangs", life{})
		close(held)
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}

func toldAge(t *testing.T, d *Daemon) float64 {
	t.Helper()
	all, err := operator{d}.Status(t.Context())
	if err != nil || len(all) != 1 {
		t.Fatalf("status: %v, %v", all, err)
	}
	return float64(all[0].ReadingAgeSeconds)
}

// TestAWatchThatCannotBeginGivesNoBeat takes the data directory away: current flows, and nobody counts it.
func TestAWatchThatCannotBeginGivesNoBeat(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, drivers.NewClock(1), liveScenario)
		d := daemonOf(t, b, t.TempDir(), "", "")
		c := d.cells[0]
		disk := &barredDisk{}
		disk.set(true)
		c.set.FS = disk
		stop := start(t, c)
		<-time.After(time.Minute)
		if _, beats := d.pulses(); beats {
			t.Error("beats go out although no run can begin")
		}
		disk.set(false)
		<-time.After(time.Minute)
		s := c.Latest()
		if _, beats := d.pulses(); !beats || s.Run == "" {
			t.Error("no beats although the run has begun")
		}
		if counted, truth := s.Charge.CountedCoulombs, b.i.Truth(1).Charge; counted < truth-40 {
			t.Errorf("%.0f C are counted of %.0f C: those before the run could begin are missing", counted, truth)
		}
		if _, silent := standing(s, alerts.SupplySilent); silent {
			t.Error("the supply counts as silent")
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
