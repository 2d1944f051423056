package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"time"

	"github.com/BurntSushi/toml"

	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/push"
	"nightcell/daemon/watch"
)

// reloadTime bounds how long a reload waits for the old routes to let go, and for the cells.
const reloadTime = 5 * time.Second

// Reload is what SIGHUP asks for: it reads the configuration anew and takes it over, all or nothing. A cell whose routes, limits and
// permissions alone have changed is watched on. One that has changed otherwise is handed over to a new watch, which resumes its run; the others
// do not notice. What belongs to no cell, such as the data directory, needs a restart, and is refused.
func (d *Daemon) Reload(ctx context.Context) error {
	if d.o.Load == nil {
		return control.Refuse("this daemon has no configuration file to reload")
	}
	d.reloading.Lock() // one after the other, and none once the routes have been stopped
	defer d.reloading.Unlock()
	if d.stopped {
		return control.Refuse("nightcell is stopping")
	}
	const stays = "the configuration is rejected; the previous one stays in force"
	cfg, err := d.o.Load()
	if err != nil {
		return control.BadRequest(stays+":\n%v", err)
	}
	c, err := d.changes(cfg)
	if err != nil {
		return control.BadRequest(stays+": %v", err)
	}
	// From here on nothing can fail. A cell that is busy takes its orders when it comes round.
	d.config.Store(cfg)
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), reloadTime)
	defer cancel()
	for _, p := range c.gone {
		p.leave(watch.ErrRelieved)
	}
	posts := make([]*post, len(c.turns))
	for i, t := range c.turns {
		if posts[i] = t.post; t.before != nil {
			t.before.leave(watch.ErrRelieved)
			t.post.Follow(t.before.Cell)
			t.box.Store(t.before.box.Load())
		}
	}
	d.cells.Store(&posts)
	if past := d.history.Load(); past != nil {
		past.Follow(d.names())
	}
	if c.pushes != nil {
		d.startPushes(c.pushes)
	}
	var all sync.WaitGroup
	var anew []string
	for _, t := range c.turns {
		all.Go(func() { d.exchange(wait, t.post, t.routes) }) // ends with wait, and five seconds of grace
		if t.orders == nil {
			anew = append(anew, t.Name())
			d.start(t.post, t.before)
			continue
		}
		all.Go(func() { // ends with wait
			if err := t.Order(wait, t.orders); err != nil {
				d.o.Log.Warn("the new limits apply from the cell's next poll", "cell", t.Name(), "err", err)
			}
		})
	}
	for _, p := range c.gone {
		all.Go(func() {
			if err := p.box.Load().Stop(wait); err != nil {
				d.o.Log.Warn("an old route does not stop", "cell", p.Name(), "err", err)
			}
		})
	}
	all.Wait()
	d.o.Log.Info("configuration reloaded", "watched_anew", anew)
	return nil
}

var errStarting = errors.New("nightcell is still starting; try again")

// turn is what a reload brings to one cell.
type turn struct {
	*post
	before *post         // the one that hands the cell over; nil: none does
	orders *watch.Orders // of a post that goes on; nil: it is new
	routes *routes.Outbox
}

// changes are what a reload comes to.
type changes struct {
	turns  []*turn      // by the cells of the configuration, in its order
	gone   []*post      // whose cells are no longer in it
	pushes []*push.Push // nil: they stay
}

// changes makes ready what another configuration asks for; nothing is taken over yet.
func (d *Daemon) changes(cfg *configs.Config) (*changes, error) {
	now, c := d.config.Load(), new(changes)
	if err := sameHouse(now, cfg); err != nil {
		return nil, err
	}
	posts, same := make([]*post, len(cfg.Cells)), len(cfg.Cells) == len(d.posts())
	for i := range cfg.Cells {
		t, err := d.turn(now, cfg, &cfg.Cells[i])
		if err != nil {
			return nil, err
		}
		c.turns, posts[i] = append(c.turns, t), t.post
		same = same && t.orders != nil
	}
	for _, p := range d.posts() {
		if cfg.Cell(p.Name()) != nil {
			continue
		}
		if s := p.Latest(); s != nil && !s.Ended && !s.Waiting {
			return nil, fmt.Errorf("cell %s is left out, and its run %s is still open: switch it off first, or keep the cell until the run has ended", p.Name(), s.Run)
		}
		c.gone = append(c.gone, p)
	}
	boxes, err := d.newBoxes(cfg, posts)
	if err != nil {
		return nil, err
	}
	for i, t := range c.turns {
		t.routes = boxes[i]
	}
	if same && reflect.DeepEqual(now.Pushes, cfg.Pushes) {
		return c, nil
	}
	if c.pushes, err = d.newPushes(cfg); err == nil && (d.start == nil || d.startPushes == nil) {
		err = errStarting
	}
	return c, err
}

// turn makes ready what another configuration brings to a cell.
func (d *Daemon) turn(now, next *configs.Config, cell *configs.Cell) (t *turn, err error) {
	t = &turn{before: d.post(cell.Name)}
	same, err := sameButForLimits(now, next, cell.Name)
	switch {
	case err != nil:
	case same:
		t.post, t.before = t.before, nil
		t.orders, err = watch.OrdersOf(next, cell)
	case d.start == nil:
		err = errStarting
	default:
		t.post, err = d.newPost(next, cell)
	}
	return t, err
}

// reloadable are the keys of a cell that a reload takes over.
var reloadable = []string{"limits", "alarm", "warmup", "chatter", "flood", "may", "on_stop", "at_target", "hold_current", "reason"}

// sameHouse names what has changed that belongs to no cell, and needs a restart.
func sameHouse(now, next *configs.Config) error {
	var changed []string
	for _, part := range []struct {
		name      string
		now, next any
	}{{"data", now.Data, next.Data}, {"socket", now.Socket, next.Socket}, {"page", now.Page, next.Page}, {"heartbeat", now.Heartbeat, next.Heartbeat}} {
		if !reflect.DeepEqual(part.now, part.next) {
			changed = append(changed, part.name)
		}
	}
	if len(changed) > 0 {
		return fmt.Errorf("changed: %s; restart nightcell for these; it resumes every open run", strings.Join(changed, ", "))
	}
	return nil
}

// sameButForLimits says whether the watch over a cell can go on under another configuration.
func sameButForLimits(now, next *configs.Config, cell string) (bool, error) {
	if now.Cell(cell) == nil {
		return false, nil
	}
	before, err1 := fixed(now, cell)
	after, err2 := fixed(next, cell)
	return reflect.DeepEqual(before, after), errors.Join(err1, err2)
}

// fixed is what the configuration says of a cell, its supply and its meters that a reload does not take over while the cell is watched on.
func fixed(cfg *configs.Config, cell string) (tables struct{ Supply, Meter, Cell map[string]map[string]any }, err error) {
	text, err := cfg.Frozen(cell)
	if err != nil {
		return tables, err
	}
	if _, err := toml.NewDecoder(bytes.NewReader(text)).Decode(&tables); err != nil {
		return tables, fmt.Errorf("comparing the configuration of cell %s: %w", cell, err)
	}
	for _, key := range reloadable {
		delete(tables.Cell[cell], key)
	}
	return tables, nil
}
