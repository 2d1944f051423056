package daemon

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/notices"
	"nightcell/daemon/runlog"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// eveningScenario is a supply that is off for a minute, so that a zero can be taken.
const eveningScenario = `
name = "evening"
[supply]
output = "off"
protect_volts = 6.4
protect_amperes = 3.2
[[event]]
at = "1 min"
kind = "panel"
output = "on"
`

// delivered is a route that takes everything.
type delivered struct{}

func (delivered) Name() string                                                 { return "phone" }
func (delivered) Deliver(context.Context, routes.Notice) (routes.Proof, error) { return "taken", nil }

// proven is a daemon on a bench whose one route has proved that it delivers, or not.
func proven(t *testing.T, b *watchtest.Bench, cellLines, rest string, proof bool, tune ...func(*watch.Settings, *watch.Machine)) (*Daemon, func() error) {
	t.Helper()
	d := daemonOf(t, b, t.TempDir(), cellLines, rest, tune...)
	box, err := routes.NewOutbox(routes.Options{
		Source: notices.NewSource(d.o.Config.Data, "zinc-1"), Clock: d.o.Clock,
		Store: routes.Directory{Path: t.TempDir(), Write: writeSmall},
	}, routes.Way{Route: delivered{}})
	if err != nil {
		t.Fatal(err)
	}
	box.Start()
	d.posts()[0].box.Store(box)
	<-time.After(time.Millisecond) // until the route has read its state
	if proof {
		if r := box.Drill(t.Context(), routes.Notice{ID: "drill", Cell: "zinc-1"}); len(r) != 1 || r[0].Err != nil {
			t.Fatalf("drill: %+v", r)
		}
	}
	stop := watchtest.Start(t, d.posts()[0].Cell)
	return d, func() error {
		err := stop()
		return errors.Join(err, d.stopBoxes())
	}
}

// TestPreflight refuses an unattended run for each thing that is missing, and writes
// down who cleared it when nothing is.
func TestPreflight(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, script string
		meddle       func(t *testing.T, b *watchtest.Bench, c *watch.Cell)
		confirmed    []string
		unproven     bool
		failed       []string // names of the checks that fail; none: cleared
	}{
		{name: "all is well", script: eveningScenario, confirmed: control.ToConfirm()},
		{name: "nothing confirmed", script: eveningScenario, failed: control.ToConfirm()},
		{name: "level forgotten", script: eveningScenario, confirmed: []string{"leads", "ventilation", "containment"}, failed: []string{"level"}},
		{name: "no route has proved itself", script: eveningScenario, confirmed: control.ToConfirm(), unproven: true, failed: []string{"route"}},
		{name: "no zero", script: strings.Replace(eveningScenario, `output = "off"`, `output = "on"`, 1), confirmed: control.ToConfirm(), failed: []string{"zero"}},
		{name: "more current than the limit", script: strings.Replace(eveningScenario, "protect_amperes = 3.2", "protect_amperes = 4.5\namperes = 4", 1),
			confirmed: control.ToConfirm(), failed: []string{"current protection", "no high-priority alarm"}},
		{name: "more volts than the limit", script: strings.Replace(eveningScenario, "protect_volts = 6.4", "protect_volts = 12\nvolts = 10", 1),
			confirmed: control.ToConfirm(), failed: []string{"voltage protection"}},
		{name: "the supply does not tell", script: eveningScenario, confirmed: control.ToConfirm(),
			meddle: func(_ *testing.T, b *watchtest.Bench, _ *watch.Cell) { b.Change(func() { b.Blind = true }) }, failed: []string{"supply"}},
		{name: "the line is lost", script: eveningScenario, confirmed: control.ToConfirm(),
			meddle: func(_ *testing.T, b *watchtest.Bench, _ *watch.Cell) {
				b.Change(func() { b.Gone = true })
				<-time.After(time.Minute)
			},
			failed: []string{"supply", "reading", "no high-priority alarm"}},
		{name: "switched off meanwhile", script: eveningScenario, confirmed: control.ToConfirm(),
			meddle: func(_ *testing.T, b *watchtest.Bench, _ *watch.Cell) {
				b.Instrument.Handle([]byte("OUTP OFF\n"))
				<-time.After(time.Minute)
			},
			failed: []string{"reading", "no high-priority alarm"}},
		{name: "a protection has tripped", script: eveningScenario + "[[event]]\nat = \"119 s\"\nkind = \"trip\"\nprotection = \"over-current\"\n", confirmed: control.ToConfirm(),
			meddle: func(*testing.T, *watchtest.Bench, *watch.Cell) { <-time.After(time.Minute) }, failed: []string{"protections not tripped", "reading", "no high-priority alarm"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := watchtest.New(t, drivers.NewClock(1), tt.script)
				d, stop := proven(t, b, "", "", !tt.unproven)
				c := d.posts()[0].Cell
				<-time.After(2 * time.Minute)
				if tt.meddle != nil {
					tt.meddle(t, b, c)
				}
				checks, err := d.Operator().Begin(t.Context(), control.BeginOrder{Cell: "zinc-1", By: "night shift", Confirmed: tt.confirmed})
				var failed []string
				for _, k := range checks {
					if !k.OK {
						failed = append(failed, k.Name)
					}
					if k.Text == "" || k.Name == "route" && k.OK && strings.Contains(k.Text, ".") { // an age in whole seconds
						t.Errorf("the check %q says %q", k.Name, k.Text)
					}
				}
				if !slices.Equal(failed, tt.failed) {
					t.Errorf("failed: %q, want %q; %+v", failed, tt.failed, checks)
				}
				if (err != nil) != (len(tt.failed) > 0) {
					t.Errorf("error %v", err)
				}
				<-time.After(10 * time.Second)
				s := c.Latest()
				if err := stop(); err != nil {
					t.Fatal(err)
				}
				cleared := 0
				watchtest.EachRecord(t, s.Run, func(r *runlog.Record) {
					if r.Text("kind") != "cleared" {
						return
					}
					cleared++
					if r.Text("by") != "night shift" || r.Text("confirmed") != strings.Join(control.ToConfirm(), ", ") || !strings.Contains(r.Text("check_current_protection"), "limit is 3.3 A") {
						t.Errorf("the log says %+v", r.Fields)
					}
				})
				if want := len(tt.failed) == 0; s.Cleared != want || (cleared == 1) != want {
					t.Errorf("cleared: %v, %d entries, want %v", s.Cleared, cleared, want)
				}
			})
		})
	}
}

// TestPreflightNeedsARun refuses before the output was switched on by hand.
func TestPreflightNeedsARun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), "name = \"off\"\n[supply]\noutput = \"off\"\n[[event]]\nat = \"30 s\"\nkind = \"lead-off\"\n")
		d, stop := proven(t, b, "", "", true)
		<-time.After(time.Minute)
		_, err := d.Operator().Begin(t.Context(), control.BeginOrder{Cell: "zinc-1", By: "test", Confirmed: control.ToConfirm()})
		if err == nil || !strings.Contains(err.Error(), "nightcell never does") {
			t.Errorf("got %v", err)
		}
		b.Instrument.Handle([]byte("OUTP ON\n"))
		<-time.After(time.Minute)
		_, err = d.Operator().Begin(t.Context(), control.BeginOrder{Cell: "zinc-1", By: "test", Confirmed: control.ToConfirm()})
		if err == nil || !strings.Contains(err.Error(), "look at leads and clips") {
			t.Errorf("output on with a lead off: %v", err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		if got := b.Sent(); len(got) != 0 {
			t.Errorf("sent %q", got)
		}
	})
}

// TestPreflightSaysWhyNoRunBegins although current flows.
func TestPreflightSaysWhyNoRunBegins(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		disk := &watchtest.Disk{}
		disk.Barred.Store(true)
		d := daemonOf(t, b, t.TempDir(), "", "", onDisk(disk))
		stop := watchtest.Start(t, d.posts()[0].Cell)
		<-time.After(time.Minute)
		_, err := d.Operator().Begin(t.Context(), control.BeginOrder{Cell: "zinc-1", By: "test", Confirmed: control.ToConfirm()})
		if err == nil || !strings.Contains(err.Error(), "nothing is counted or monitored") || !strings.Contains(err.Error(), "permission denied") {
			t.Errorf("got %v", err)
		}
		if err := stop(); err != nil {
			t.Fatal(err)
		}
	})
}
