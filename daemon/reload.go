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

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/control"
	"nightcell/drivers"
)

// reloadTime bounds how long a reload waits for the old routes to let go, and for the cells.
const reloadTime = 5 * time.Second

// Reload implements control.Operator: it reads the configuration anew and takes over
// routes, limits and what hands may do, all or nothing. What else changed needs a restart, and is refused.
func (o operator) Reload(ctx context.Context) error { return o.d.Reload(ctx) }

// Reload is what SIGHUP asks for.
func (d *Daemon) Reload(ctx context.Context) error {
	if d.o.Load == nil {
		return control.Refuse("this daemon has no configuration file to read anew")
	}
	d.reloading.Lock() // one after the other, and none once the routes have been stopped
	defer d.reloading.Unlock()
	if d.stopped {
		return control.Refuse("nightcell is stopping")
	}
	const stays = "the configuration is not taken over, and the one before stays in force"
	cfg, err := d.o.Load()
	if err != nil {
		return control.BadRequest(stays+":\n%v", err)
	}
	if err := sameButForLimits(d.config.Load(), cfg); err != nil {
		return control.BadRequest(stays+": %v; restart nightcell for that, it takes up every open run", err)
	}
	boxes, err := d.newBoxes(cfg)
	if err != nil {
		return control.BadRequest(stays+": %v", err)
	}
	orders := make([]*orders, len(d.cells))
	for i := range d.cells {
		if orders[i], err = ordersOf(cfg, &cfg.Cells[i]); err != nil {
			return control.BadRequest(stays+": %v", err)
		}
	}
	// From here on nothing can fail. A cell that is busy takes its orders when it comes round.
	d.config.Store(cfg)
	wait, cancel := context.WithTimeout(context.WithoutCancel(ctx), reloadTime)
	defer cancel()
	var all sync.WaitGroup
	for i, c := range d.cells {
		c.orders.Store(orders[i])
		all.Go(func() { // ends with wait, and five seconds of grace
			before := d.boxes[i].box.Swap(boxes[i])
			if err := before.Stop(wait); err != nil {
				d.o.Log.Warn("an old route does not let go; what it was sending may come twice", "cell", c.Name(), "err", err)
			}
			boxes[i].TakeOver(before)
			boxes[i].Start()
		})
		all.Go(func() { // ends with wait
			if err := c.ask(wait, func(context.Context) error { c.takeOrders(); return nil }); err != nil {
				d.o.Log.Warn("the new limits come into force when the cell's loop comes round", "cell", c.Name(), "err", err)
			}
		})
	}
	all.Wait()
	d.o.Log.Info("configuration read anew: routes and limits are in force")
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
		for _, key := range slices.Sorted(maps.Keys(before)) {
			if !reflect.DeepEqual(before[key], after[key]) {
				changed = append(changed, key)
			}
		}
		for _, key := range slices.Sorted(maps.Keys(after)) {
			if _, there := before[key]; !there {
				changed = append(changed, key)
			}
		}
	}
	if len(changed) > 0 {
		return fmt.Errorf("besides routes and limits there are changes in %s", strings.Join(changed, ", "))
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

// orders are what a reload changes of a cell.
type orders struct {
	cell   *configs.Cell
	frozen []byte // for the runs that begin from now on
}

func ordersOf(cfg *configs.Config, cell *configs.Cell) (*orders, error) {
	frozen, err := cfg.Frozen(cell.Name)
	return &orders{cell, frozen}, err
}

// takeOrders puts new limits, reactions and permissions into force, if there are any.
func (c *Cell) takeOrders() {
	o := c.orders.Swap(nil)
	if o == nil {
		return
	}
	cell := o.cell
	c.set.Limits, c.set.Reactions, c.set.Frozen, c.set.Reason = cell.Limits, reactionsOf(cell), o.frozen, cell.Reason
	c.set.May, c.set.HoldAmperes = Permission(cell.May), drivers.Amperes(cell.HoldAmperes)
	c.set.AtTarget, c.set.OnStop = choice(cell.AtTarget), choice(cell.OnStop)
	c.next.May = c.set.May.String()
	c.final.May = c.next.May
	if r := c.run; r != nil {
		r.alarms.SetLimits(cell.Limits)
		text := "limits and routes were read anew"
		if cell.Reason != "" {
			text += "; reason given for departing from the safe state: " + cell.Reason
		}
		r.note(c, r.log.Entry(r.time.stamp(r.time.now()), "limits", text))
	}
}

// reactionsOf lists what the cell does on conditions, in the order of the conditions.
func reactionsOf(cell *configs.Cell) []alerts.Reaction {
	var all []alerts.Reaction
	for _, condition := range alerts.Conditions() {
		if r, ok := cell.Responses[condition]; ok {
			all = append(all, alerts.Reaction{Condition: condition, Do: acts[r.Do], After: r.After})
		}
	}
	return all
}

// acts translates the configuration's words.
var acts = map[configs.Action]alerts.Act{configs.Leave: alerts.Tell, configs.Hold: alerts.Hold, configs.Off: alerts.Off}
