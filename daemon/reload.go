package daemon

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/BurntSushi/toml"

	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/daemon/watch"
)

// reloadTime bounds how long a reload waits for the old routes to let go, and for the cells.
const reloadTime = 5 * time.Second

// Reload is what SIGHUP asks for: it reads the configuration anew and takes over
// routes, limits and what hands may do, all or nothing. What else changed needs a restart, and is refused.
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
	if err := sameButForLimits(d.config.Load(), cfg); err != nil {
		return control.BadRequest(stays+": %v; restart nightcell for these; it resumes every open run", err)
	}
	boxes, err := d.newBoxes(cfg)
	if err != nil {
		return control.BadRequest(stays+": %v", err)
	}
	orders := make([]*watch.Orders, len(d.cells))
	for i := range d.cells {
		if orders[i], err = watch.OrdersOf(cfg, &cfg.Cells[i]); err != nil {
			return control.BadRequest(stays+": %v", err)
		}
	}
	// From here on nothing can fail. A cell that is busy takes its orders when it comes round.
	d.config.Store(cfg)
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), reloadTime)
	defer cancel()
	var all sync.WaitGroup
	for i, c := range d.cells {
		all.Go(func() { // ends with wait, and five seconds of grace
			before := d.boxes[i].box.Swap(boxes[i])
			if err := before.Stop(wait); err != nil {
				d.o.Log.Warn("an old route does not stop; its last notification may come twice", "cell", c.Name(), "err", err)
			}
			boxes[i].TakeOver(before)
			boxes[i].Start()
		})
		all.Go(func() { // ends with wait
			if err := c.Order(wait, orders[i]); err != nil {
				d.o.Log.Warn("the new limits apply from the cell's next poll", "cell", c.Name(), "err", err)
			}
		})
	}
	all.Wait()
	d.o.Log.Info("configuration reloaded: routes and limits are in force")
	return nil
}

// reloadable are the keys of a cell that a reload takes over.
var reloadable = []string{"limits", "alarm", "warmup", "chatter", "flood", "may", "on_stop", "at_target", "hold_current", "reason"}

// sameButForLimits names what has changed that a reload does not take over.
func sameButForLimits(now, next *configs.Config) error {
	var changed []string
	for _, part := range []struct {
		name      string
		now, next any
	}{
		{"data", now.Data, next.Data}, {"socket", now.Socket, next.Socket}, {"page", now.Page, next.Page},
		{"push", now.Pushes, next.Pushes}, {"heartbeat", now.Heartbeat, next.Heartbeat},
	} {
		if !reflect.DeepEqual(part.now, part.next) {
			changed = append(changed, part.name)
		}
	}
	names := func(c *configs.Config) (all []string) {
		for i := range c.Cells {
			all = append(all, c.Cells[i].Name)
		}
		return all
	}
	if before, after := names(now), names(next); !slices.Equal(before, after) {
		return fmt.Errorf("the cells or their order have changed, from %v to %v", before, after)
	}
	for _, cell := range names(now) {
		before, err1 := fixed(now, cell)
		after, err2 := fixed(next, cell)
		if err := errors.Join(err1, err2); err != nil {
			return err
		}
		keys := slices.AppendSeq(slices.Collect(maps.Keys(before)), maps.Keys(after))
		slices.Sort(keys)
		for _, key := range slices.Compact(keys) {
			if !reflect.DeepEqual(before[key], after[key]) {
				changed = append(changed, key)
			}
		}
	}
	if len(changed) > 0 {
		return fmt.Errorf("changes other than to routes and limits: %s", strings.Join(changed, ", "))
	}
	return nil
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
