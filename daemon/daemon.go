// Package daemon is the supervisor: it makes the watches over the cells of a configuration, serves page, metrics and
// control socket, carries notices and pushes, reloads, and shuts all of it down in order.
package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"nightcell/configs"
	"nightcell/daemon/history"
	"nightcell/daemon/metrics"
	"nightcell/daemon/page"
	"nightcell/daemon/push"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/drivers/lock"
	"nightcell/drivers/recording"
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
	Record  *recording.Recorder // keeps every byte on the lines; nil: none
	// Sparing says that the cells are few, and one processor is to do for them: see watch.Machine.Sparing.
	Sparing bool
	// Ready is called once, when every cell's log is open and the listeners are bound.
	Ready func()
	// Fed is called about once a second while the watch over every cell is kept, for a
	// watchdog that restarts what hangs; nil: nobody wants to know.
	Fed func()
}

// Daemon keeps the watch over all cells of a configuration.
type Daemon struct {
	o       Options
	rack    *scpi.Rack
	cells   atomic.Pointer[[]*post]
	pushes  pushes
	metrics *metrics.Metrics
	history atomic.Pointer[history.History] // nil: no page is served
	links   *page.Links                     // nil: notices carry none that acknowledge
	lock    *lock.Lock
	relock  sync.Mutex // held while lock is exchanged
	address string
	config  atomic.Pointer[configs.Config]

	reloading   sync.Mutex             // held while cells, routes and pushes are exchanged
	stopped     bool                   // they have been stopped for good
	start       func(p, before *post)  // begins the watch over a cell; nil: the daemon does not run yet
	startPushes func(all []*push.Push) // likewise
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
		return nil, err
	}
	d.openLinks(o.Config)
	d.metrics = metrics.New(o.Version, d.Snapshots)
	d.rack = &scpi.Rack{Record: o.Record}
	posts := make([]*post, len(o.Config.Cells))
	for i := range o.Config.Cells {
		var err error
		if posts[i], err = d.newPost(o.Config, &o.Config.Cells[i]); err != nil {
			return nil, errors.Join(err, d.unlock())
		}
	}
	boxes, err := d.newBoxes(o.Config, posts)
	if err != nil {
		return nil, errors.Join(lasting(err), d.unlock())
	}
	for i, b := range boxes {
		posts[i].box.Store(b)
	}
	d.cells.Store(&posts)
	all, err := d.newPushes(o.Config)
	if err != nil {
		return nil, errors.Join(lasting(err), d.unlock())
	}
	d.pushes.running.Store(&all)
	return d, nil
}

// Snapshots returns the newest snapshot of every cell, with the ways out filled in.
func (d *Daemon) Snapshots() []*snapshot.Cell {
	posts := d.posts()
	all := make([]*snapshot.Cell, 0, len(posts))
	for _, p := range posts {
		s := p.Latest()
		if s == nil {
			continue
		}
		if box := p.box.Load(); box != nil {
			s.Outlet.Routes = box.Health()
		}
		for _, push := range d.pushes.all() {
			if h, ok := push.Health(s.Name); ok {
				s.Outlet.Pushes = append(s.Outlet.Pushes, h)
			}
		}
		all = append(all, s)
	}
	return all
}

// Run keeps the watch until ctx ends, and then stops in order: cells first, so that
// their last notices are in the log, then the routes, then the listeners. The error
// says what could not be made safe.
func (d *Daemon) Run(ctx context.Context) (err error) {
	defer func() { err = errors.Join(err, d.unlock()) }()
	for _, p := range d.posts() {
		p.box.Load().Start()
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
	d.reloading.Lock()
	d.start = func(p, before *post) { startPost(keeping, kept, p, before) }
	for _, p := range d.posts() {
		d.start(p, nil)
	}
	d.reloading.Unlock()
	if d.o.Fed != nil {
		kept.Go(func() error { return d.every(keeping, time.Second, "watchdog", d.feed) })
	}
	kept.Go(func() error { // so that no reload starts a watch that nobody waits for
		<-keeping.Done()
		d.reloading.Lock()
		defer d.reloading.Unlock()
		d.stopped = true
		return nil
	})
	if d.o.Ready != nil {
		d.o.Ready()
	}
	err = kept.Wait()
	if slices.ContainsFunc(d.posts(), func(p *post) bool { return p.Live() }) {
		d.lastWord()
	}
	stop()
	return errors.Join(err, d.stopBoxes(), side.Wait())
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
	for _, p := range d.posts() {
		errs = append(errs, p.box.Load().Stop(ctx))
	}
	return errors.Join(errs...)
}
