// Package daemon is the supervisor: it makes the watches over the cells of a configuration, serves page, metrics and
// control socket, carries notices and pushes, reloads, and shuts all of it down in order.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/metrics"
	"nightcell/daemon/notices"
	"nightcell/daemon/page"
	"nightcell/daemon/push"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
	"nightcell/drivers"
	"nightcell/drivers/lock"
	"nightcell/drivers/scpi"

	"golang.org/x/sync/errgroup"
)

// Options is what a daemon is made from.
type Options struct {
	Config *configs.Config
	// Load reads the configuration anew for Reload; nil: it cannot be.
	Load    func() (*configs.Config, error)
	Clock   drivers.Clock
	Version string
	Log     *slog.Logger
	// Ready is called once, when every cell's log is open and the listeners are bound.
	Ready func()
	// Fed is called about once a second while the watch over every cell is kept, for a
	// watchdog that restarts what hangs; nil: nobody wants to know.
	Fed func()
}

// Daemon keeps the watch over all cells of a configuration.
type Daemon struct {
	o       Options
	cells   []*watch.Cell
	boxes   []*outbox
	pushes  []*push.Push
	metrics *metrics.Metrics
	links   *page.Links // nil: notices carry none that acknowledge
	lock    *lock.Lock
	relock  sync.Mutex // held while lock is exchanged
	address string
	config  atomic.Pointer[configs.Config]

	reloading sync.Mutex // held while the routes are exchanged
	stopped   bool       // they have been stopped for good
}

// outbox carries one cell's notices.
type outbox struct {
	cell string
	box  atomic.Pointer[routes.Outbox]
}

// New checks everything and locks the data directory; nothing is running yet. The
// error says what is wrong, and a second daemon on the same data who holds it.
func New(o Options) (*Daemon, error) {
	d := &Daemon{o: o}
	d.config.Store(o.Config)
	if err := os.MkdirAll(o.Config.Data, 0o750); err != nil {
		return nil, lasting(fmt.Errorf("creating the data directory: %w; correct data in the configuration, or the permissions", err))
	}
	if err := d.lockData(); err != nil {
		return nil, lasting(err)
	}
	d.openLinks(o.Config)
	d.metrics = metrics.New(o.Version, d.Snapshots)
	rack := new(scpi.Rack)
	for i := range o.Config.Cells {
		cell := &o.Config.Cells[i]
		s, err := watch.SettingsOf(o.Config, cell, rack, o.Clock, o.Log)
		if err != nil {
			return nil, errors.Join(err, d.unlock())
		}
		s.Observe = d.metrics.Observer(cell.Name, cell.Supply)
		box := &outbox{cell: cell.Name}
		s.Wake = func() {
			if b := box.box.Load(); b != nil {
				b.Wake()
			}
		}
		s.Tell = func(n routes.Notice) {
			if b := box.box.Load(); b != nil {
				b.Tell(n)
			}
		}
		s.Outside = d.outside(box)
		d.boxes = append(d.boxes, box)
		d.cells = append(d.cells, watch.New(s, watch.MachineOf(o.Clock)))
	}
	boxes, err := d.newBoxes(o.Config)
	if err != nil {
		return nil, errors.Join(lasting(err), d.unlock())
	}
	for i, b := range boxes {
		d.boxes[i].box.Store(b)
	}
	for i := range o.Config.Pushes {
		p, err := d.newPush(&o.Config.Pushes[i])
		if err != nil {
			return nil, errors.Join(lasting(err), d.unlock())
		}
		d.pushes = append(d.pushes, p)
	}
	return d, nil
}

// Snapshots returns the newest snapshot of every cell, with the ways out filled in.
func (d *Daemon) Snapshots() []*snapshot.Cell {
	all := make([]*snapshot.Cell, 0, len(d.cells))
	for i, c := range d.cells {
		s := c.Latest()
		if s == nil {
			continue
		}
		d.fillOutlet(d.boxes[i], s)
		d.fillPushes(s)
		all = append(all, s)
	}
	return all
}

// fillOutlet adds how the routes are.
func (d *Daemon) fillOutlet(b *outbox, s *snapshot.Cell) {
	box := b.box.Load()
	if box == nil {
		return
	}
	for _, h := range box.Health() {
		s.Outlet.Routes = append(s.Outlet.Routes, snapshot.Way{
			Name: h.Route, LagSeconds: h.Lag.Seconds(), OpenAlarms: h.Open, Delivered: h.Delivered, Failed: uint64(h.Failures), Problem: h.LastError,
			SetAside: h.SetAside, Proved: h.Proved,
		})
	}
}

// outside tells a cell how its pushes and routes are getting on. Health takes no lock that a delivery holds.
func (d *Daemon) outside(b *outbox) func() alerts.Outside {
	return func() (o alerts.Outside) {
		if box := b.box.Load(); box != nil {
			for _, h := range box.Health() {
				if h.Lag > o.NoticeAge {
					o.NoticeAge, o.Route = h.Lag, h.Route
				}
			}
		}
		for _, p := range d.pushes {
			if h, ok := p.Health(b.cell); ok && h.Lag > o.PushLag {
				o.PushLag, o.Push = h.Lag, p.Name()
			}
		}
		return o
	}
}

// newBoxes builds every cell's outbox for a configuration; nothing is started.
func (d *Daemon) newBoxes(cfg *configs.Config) ([]*routes.Outbox, error) {
	boxes := make([]*routes.Outbox, len(d.cells))
	for i, c := range d.cells {
		ways, err := cfg.Ways() // anew for each cell, because an outbox uses a route alone
		if err != nil {
			return nil, fmt.Errorf("routes: %w", err)
		}
		ways = slices.DeleteFunc(ways, func(w routes.Way) bool { return len(w.Cells) > 0 && !slices.Contains(w.Cells, c.Name()) })
		for j := range ways { // one summary for a route, which tells of all its cells
			if slices.ContainsFunc(d.cells[:i], func(c *watch.Cell) bool { return len(ways[j].Cells) == 0 || slices.Contains(ways[j].Cells, c.Name()) }) {
				ways[j].Summary = routes.Daily{}
			}
		}
		boxes[i], err = routes.NewOutbox(d.outbox(cfg, c), ways...)
		if err != nil {
			return nil, fmt.Errorf("cell %s: %w", c.Name(), err)
		}
	}
	return boxes, nil
}

// outbox is what the routes of a cell share.
func (d *Daemon) outbox(cfg *configs.Config, c *watch.Cell) routes.Options {
	return routes.Options{
		Source: notices.NewSource(cfg.Data, c.Name()),
		Store:  routes.Directory{Path: filepath.Join(cfg.Data, "routes", c.Name()), Write: writeSmall},
		Clock:  d.o.Clock, Log: d.o.Log, Link: d.linkOf(cfg), Safe: func(string) bool { return d.safe(c) }, Summary: d.summary,
		Picture: func(ctx context.Context, n routes.Notice) ([]byte, error) {
			return notices.Picture(ctx, cfg.Data, c.Name(), n)
		},
		Present: func(string) map[string]float64 { return d.present(c.Latest()) },
	}
}

// Run keeps the watch until ctx ends, and then stops in order: cells first, so that
// their last notices are in the log, then the routes, then the listeners. The error
// says what could not be made safe.
func (d *Daemon) Run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, d.unlock()) }()
	for _, b := range d.boxes {
		b.box.Load().Start()
	}
	services, stop := context.WithCancel(context.WithoutCancel(ctx))
	defer stop()
	side, err := d.serve(services)
	if err == nil {
		err = d.pickUp()
	}
	if err != nil {
		stop()
		return errors.Join(err, d.stopBoxes(), side.Wait())
	}
	kept, keeping := errgroup.WithContext(ctx)
	for _, c := range d.cells {
		kept.Go(func() error { return c.Run(keeping) })
	}
	kept.Go(func() error { return d.feed(keeping) })
	if d.o.Ready != nil {
		d.o.Ready()
	}
	err = kept.Wait()
	if slices.ContainsFunc(d.cells, (*watch.Cell).Live) {
		d.lastWord()
	}
	stop()
	return errors.Join(err, d.stopBoxes(), side.Wait())
}

// pickUp takes up every open run, so that a log that cannot be read is told before
// the watch counts as ready.
func (d *Daemon) pickUp() error {
	for i, c := range d.cells {
		if err := c.PickUp(); err != nil {
			errs := []error{fmt.Errorf("cell %s: %w", c.Name(), err)}
			for _, other := range d.cells[:i] {
				errs = append(errs, other.GiveUp())
			}
			return errors.Join(errs...)
		}
	}
	return nil
}

// Flush waits until every route has delivered what is due, or until ctx ends.
func (d *Daemon) Flush(ctx context.Context) error {
	var errs []error
	for _, b := range d.boxes {
		errs = append(errs, b.box.Load().Flush(ctx))
	}
	return errors.Join(errs...)
}

// lastWord gives the routes a few seconds to tell that nobody watches a live output any more. What they cannot deliver stays in the log.
func (d *Daemon) lastWord() {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	if err := d.Flush(ctx); err != nil {
		d.o.Log.Warn("not every route was notified that nightcell stops with the output on", "err", err)
	}
}

// Address is where page and metrics are served, empty when they are not. It is known once Ready was called.
func (d *Daemon) Address() string { return d.address }

// stopBoxes lets deliveries in progress finish within a few seconds.
func (d *Daemon) stopBoxes() error {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	d.reloading.Lock()
	defer d.reloading.Unlock()
	d.stopped = true
	var errs []error
	for _, b := range d.boxes {
		errs = append(errs, b.box.Load().Stop(ctx))
	}
	return errors.Join(errs...)
}
