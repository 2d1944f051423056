package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"nightcell/alerts"
	"nightcell/configs"
	"nightcell/daemon/control"
)

// reloadTime bounds how long a reload waits for the old routes to let go.
const reloadTime = 5 * time.Second

// Reload implements control.Operator: it reads the configuration anew and takes over
// routes, limits and reactions, all or nothing. What else changed needs a restart.
func (o operator) Reload(ctx context.Context) error { return o.d.Reload(ctx) }

// Reload is what SIGHUP asks for.
func (d *Daemon) Reload(ctx context.Context) error {
	if d.o.Load == nil {
		return control.Refuse("this daemon has no configuration file to read anew")
	}
	cfg, err := d.o.Load()
	if err != nil {
		return control.BadRequest("the configuration is not taken over, and the one before stays in force:\n%v", err)
	}
	if err := d.sameCells(cfg); err != nil {
		return control.BadRequest("the configuration is not taken over: %v; restart nightcell for that, it takes up every open run", err)
	}
	old := make([]interface{ Stop(context.Context) error }, len(d.boxes))
	for i, b := range d.boxes {
		old[i] = b.box.Load()
	}
	if err := d.fillBoxes(cfg); err != nil {
		return control.BadRequest("the configuration is not taken over, and the one before stays in force: %v", err)
	}
	// From here on nothing can fail but the old routes' letting go, which ends by itself.
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), reloadTime)
	defer cancel()
	var errs []error
	for i, b := range d.boxes {
		errs = append(errs, old[i].Stop(stop))
		b.box.Load().Start()
	}
	for i, c := range d.cells {
		cell := &cfg.Cells[i]
		errs = append(errs, c.ask(stop, func(context.Context) error {
			c.takeLimits(cell)
			return nil
		}))
	}
	d.config.Store(cfg)
	d.o.Log.Info("configuration read anew: routes and limits are in force")
	return errors.Join(errs...)
}

// sameCells says which change needs more than a reload.
func (d *Daemon) sameCells(cfg *configs.Config) error {
	now := d.config.Load()
	if now.Data != cfg.Data || now.Page.Listen != cfg.Page.Listen || now.Socket != cfg.Socket {
		return errors.New("data, socket or listen has changed")
	}
	place := func(c configs.Cell) string {
		return fmt.Sprintf("%s on %s channel %d", c.Name, c.Supply, c.Channel)
	}
	var before, after []string
	for _, c := range now.Cells {
		before = append(before, place(c))
	}
	for _, c := range cfg.Cells {
		after = append(after, place(c))
	}
	if !slices.Equal(before, after) {
		return fmt.Errorf("the cells or their order have changed, from %v to %v", before, after)
	}
	return nil
}

// takeLimits puts new limits and reactions into force.
func (c *Cell) takeLimits(cell *configs.Cell) {
	c.set.Limits = cell.Limits
	c.set.Reactions = reactionsOf(cell)
	c.set.May = Permission(cell.May)
	c.set.AtTarget, c.set.OnStop = choice(cell.AtTarget), choice(cell.OnStop)
	if r := c.run; r != nil {
		r.alarms.SetLimits(cell.Limits)
		r.note(c, r.log.Entry(r.time.stamp(r.time.now()), "limits", "limits and routes were read anew"))
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
