package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
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
	for _, p := range c.leave {
		p.leave(watch.ErrRelieved)
	}
	d.cells.Store(&c.posts)
	if past := d.history.Load(); past != nil {
		past.Follow(d.names())
	}
	if c.pushes != nil {
		d.startPushes(c.pushes)
	}
	var all sync.WaitGroup
	for i, p := range c.posts {
		if old := c.relieved[p]; old != nil {
			p.box.Store(old.box.Load())
		}
		all.Go(func() { d.exchange(wait, p, c.boxes[i]) }) // ends with wait, and five seconds of grace
		if c.orders[i] == nil {
			d.start(p, c.relieved[p].cell())
			continue
		}
		all.Go(func() { // ends with wait
			if err := p.Order(wait, c.orders[i]); err != nil {
				d.o.Log.Warn("the new limits apply from the cell's next poll", "cell", p.Name(), "err", err)
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
	d.o.Log.Info("configuration reloaded", "watched_anew", c.names())
	return nil
}

var errStarting = errors.New("nightcell is still starting; try again")

// changes are what a reload comes to.
type changes struct {
	posts    []*post // of the configuration, in its order
	boxes    []*routes.Outbox
	orders   []*watch.Orders // nil: the post is new
	relieved map[*post]*post // by the new post: the one before over the same cell
	leave    []*post         // those that end
	gone     []*post         // of these, the ones whose cell is no longer in the configuration
	pushes   []*push.Push    // nil: they stay
}

// names are those of the cells that are watched anew.
func (c *changes) names() (all []string) {
	for i, p := range c.posts {
		if c.orders[i] == nil {
			all = append(all, p.Name())
		}
	}
	return all
}

// cell is the watch of a post; nil: there is no post.
func (p *post) cell() *watch.Cell {
	if p == nil {
		return nil
	}
	return p.Cell
}

// changes makes ready what another configuration asks for; nothing is taken over yet.
func (d *Daemon) changes(cfg *configs.Config) (*changes, error) {
	now := d.config.Load()
	if err := sameHouse(now, cfg); err != nil {
		return nil, err
	}
	c := &changes{relieved: make(map[*post]*post)}
	stay := make(map[*post]bool)
	for i := range cfg.Cells {
		cell := &cfg.Cells[i]
		old := d.post(cell.Name)
		same, err := sameButForLimits(now, cfg, cell.Name)
		if err != nil {
			return nil, err
		}
		if same {
			orders, err := watch.OrdersOf(cfg, cell)
			if err != nil {
				return nil, err
			}
			c.posts, c.orders, stay[old] = append(c.posts, old), append(c.orders, orders), true
			continue
		}
		if d.start == nil {
			return nil, errStarting
		}
		p, err := d.newPost(cfg, cell)
		if err != nil {
			return nil, err
		}
		c.posts, c.orders = append(c.posts, p), append(c.orders, nil)
		if old != nil {
			c.relieved[p] = old
		}
	}
	for _, p := range d.posts() {
		if stay[p] {
			continue
		}
		c.leave = append(c.leave, p)
		if cfg.Cell(p.Name()) != nil {
			continue
		}
		if s := p.Latest(); s != nil && !s.Ended && !s.Waiting {
			return nil, fmt.Errorf("cell %s is left out, and its run %s is still open: switch it off first, or keep the cell until the run has ended", p.Name(), s.Run)
		}
		c.gone = append(c.gone, p)
	}
	var err error
	if c.boxes, err = d.newBoxes(cfg, c.posts); err != nil {
		return nil, err
	}
	if !reflect.DeepEqual(now.Pushes, cfg.Pushes) || len(c.leave) > 0 || len(c.posts) != len(d.posts()) {
		if c.pushes, err = d.newPushes(cfg); err == nil && d.startPushes == nil {
			err = errStarting
		}
	}
	return c, err
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

// fixed is what the configuration says of a cell and its supply that a reload leaves
// alone, by the names of the keys.
func fixed(cfg *configs.Config, cell string) (map[string]any, error) {
	text, err := cfg.Frozen(cell)
	if err != nil {
		return nil, err
	}
	var tables struct {
		Supply map[string]any
		Cell   map[string]map[string]any
	}
	if _, err := toml.NewDecoder(bytes.NewReader(text)).Decode(&tables); err != nil {
		return nil, fmt.Errorf("comparing the configuration of cell %s: %w", cell, err)
	}
	all := make(map[string]any)
	for name, table := range tables.Supply {
		all["supply."+name] = table
	}
	for key, value := range tables.Cell[cell] {
		if !slices.Contains(reloadable, key) {
			all["cell."+cell+"."+key] = value
		}
	}
	return all, nil
}
