package daemon

import (
	"context"
	"log/slog"
	"testing"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/watch"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// daemonOf is a daemon of one zinc cell on a bench, with nothing around it. tune changes what the watch is made from.
func daemonOf(t *testing.T, b *watchtest.Bench, dir, cellLines, rest string, tune ...func(*watch.Settings, *watch.Machine)) *Daemon {
	t.Helper()
	cfg, err := watchtest.Zinc(dir, cellLines, `recover = "68 %"`, rest)
	if err != nil {
		t.Fatal(err)
	}
	d := &Daemon{o: Options{Config: cfg, Clock: b.Clock, Log: slog.New(slog.DiscardHandler)}}
	d.config.Store(cfg)
	s, err := watch.SettingsOf(cfg, &cfg.Cells[0], nil, b.Clock, d.o.Log)
	if err != nil {
		t.Fatal(err)
	}
	s.Open = func(ctx context.Context, _ watch.Noted) (drivers.Supply, error) { return b.Open(ctx) }
	s.Wake = func() { d.posts()[0].box.Load().Wake() }
	m := watch.MachineOf(b.Clock)
	for _, do := range tune {
		do(&s, &m)
	}
	d.cells.Store(&[]*post{{Cell: watch.New(s, m)}})
	d.join(t)
	return d
}

// join joins the daemon's cell to routes, to those of the configuration where none are given.
func (d *Daemon) join(t *testing.T, ways ...routes.Way) *routes.Outbox {
	t.Helper()
	boxes, err := d.newBoxes(d.o.Config, d.posts())
	if err == nil && len(ways) > 0 {
		boxes[0], err = routes.NewOutbox(d.outbox(d.o.Config, d.posts()[0].Cell), ways...)
	}
	if err != nil {
		t.Fatal(err)
	}
	d.posts()[0].box.Store(boxes[0])
	return boxes[0]
}

// hanging lets a test hang a cell's loop: the loop waits for the channel that comes through it.
func hanging(loop chan chan struct{}) func(*watch.Settings, *watch.Machine) {
	return func(s *watch.Settings, _ *watch.Machine) {
		s.Outside = func() alerts.Outside {
			select {
			case held := <-loop:
				<-held
			default:
			}
			return alerts.Outside{}
		}
	}
}

// onDisk lets the log be written to a disk.
func onDisk(disk *watchtest.Disk) func(*watch.Settings, *watch.Machine) {
	return func(s *watch.Settings, _ *watch.Machine) { s.FS = disk }
}
