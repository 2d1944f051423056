package daemon

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"sync/atomic"
	"time"

	"golang.org/x/sync/errgroup"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/notices"
	"nightcell/daemon/watch"
)

// post is the watch over one cell, with its routes.
type post struct {
	*watch.Cell
	box   atomic.Pointer[routes.Outbox]
	leave context.CancelCauseFunc // ends the watch over this cell alone; nil: it does not run
}

// posts are the cells in the order of the configuration.
func (d *Daemon) posts() []*post { return *d.cells.Load() }

// names are those of the cells.
func (d *Daemon) names() (all []string) {
	for _, p := range d.posts() {
		all = append(all, p.Name())
	}
	return all
}

// post is the cell of a name; nil: there is none.
func (d *Daemon) post(name string) *post {
	posts := d.posts()
	if i := slices.IndexFunc(posts, func(p *post) bool { return p.Name() == name }); i >= 0 {
		return posts[i]
	}
	return nil
}

// newPost makes the watch over a cell; nothing is running, and it has no routes yet.
func (d *Daemon) newPost(cfg *configs.Config, cell *configs.Cell) (*post, error) {
	s, err := watch.SettingsOf(cfg, cell, d.rack, d.o.Clock, d.o.Log)
	if err != nil {
		return nil, err
	}
	s.Observe = d.metrics.Observer(cell.Name, cell.Supply)
	p := new(post)
	s.Wake = func() {
		if b := p.box.Load(); b != nil {
			b.Wake()
		}
	}
	s.Tell = func(n routes.Notice) {
		if b := p.box.Load(); b != nil {
			b.Tell(n)
		}
	}
	s.Outside = d.outside(p)
	machine := watch.MachineOf(d.o.Clock)
	if d.o.Sparing {
		machine = machine.Sparing()
	}
	p.Cell = watch.New(s, machine)
	return p, nil
}

// startPost begins the watch, once the one before it over the same cell has let go of supply and log; nil: there was none.
func startPost(ctx context.Context, group *errgroup.Group, p, before *post) {
	own, leave := context.WithCancelCause(ctx)
	p.leave = leave
	group.Go(func() error {
		defer leave(nil)
		if before != nil {
			<-before.Gone() // ends: it was told to leave
		}
		return p.Run(own)
	})
}

// outside tells a cell how its pushes and routes are getting on. Health takes no lock that a delivery holds.
func (d *Daemon) outside(p *post) func() alerts.Outside {
	return func() (o alerts.Outside) {
		if box := p.box.Load(); box != nil {
			for _, h := range box.Health() {
				if h.Lag > o.DeliveryLag {
					o.DeliveryLag, o.Route = h.Lag, h.Name
				}
			}
		}
		for _, push := range d.pushes.all() {
			h, _ := push.Health(p.Name())
			if h.Lag > o.PushLag {
				o.PushLag, o.Push = h.Lag, h.Name
			}
		}
		return o
	}
}

// newBoxes builds every cell's outbox for a configuration; nothing is started.
func (d *Daemon) newBoxes(cfg *configs.Config, posts []*post) ([]*routes.Outbox, error) {
	boxes := make([]*routes.Outbox, len(posts))
	for i, p := range posts {
		ways, err := cfg.Ways() // anew for each cell, because an outbox uses a route alone
		if err != nil {
			return nil, fmt.Errorf("routes: %w", err)
		}
		ways = slices.DeleteFunc(ways, func(w routes.Way) bool { return len(w.Cells) > 0 && !slices.Contains(w.Cells, p.Name()) })
		for j := range ways { // one summary for a route, which tells of all its cells
			if slices.ContainsFunc(posts[:i], func(o *post) bool { return len(ways[j].Cells) == 0 || slices.Contains(ways[j].Cells, o.Name()) }) {
				ways[j].Summary = routes.Daily{}
			}
		}
		boxes[i], err = routes.NewOutbox(d.outbox(cfg, p.Cell), ways...)
		if err != nil {
			return nil, fmt.Errorf("cell %s: %w", p.Name(), err)
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

// exchange puts other routes in place of a cell's, and starts them once the ones before have stopped, or ctx has ended.
func (d *Daemon) exchange(ctx context.Context, p *post, box *routes.Outbox) {
	if before := p.box.Swap(box); before != nil {
		if err := before.Stop(ctx); err != nil {
			d.o.Log.Warn("an old route does not stop; its last notification may come twice", "cell", p.Name(), "err", err)
		}
		box.TakeOver(before)
	}
	box.Start()
}

// pickUp takes up every open run, so that a log that cannot be read is told before
// the watch counts as ready.
func (d *Daemon) pickUp() error {
	posts := d.posts()
	for i, c := range posts {
		if err := c.PickUp(); err != nil {
			errs := []error{fmt.Errorf("cell %s: %w", c.Name(), err)}
			for _, other := range posts[:i] {
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
	for _, p := range d.posts() {
		errs = append(errs, p.box.Load().Flush(ctx))
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
