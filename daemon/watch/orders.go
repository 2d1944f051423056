package watch

import (
	"context"

	"nightcell/configs"
	"nightcell/drivers"
)

// Orders are what a reload of the configuration changes of a cell.
type Orders struct {
	cell   *configs.Cell
	frozen []byte // for the runs that begin from now on
}

// OrdersOf prepares the orders for a cell of a configuration.
func OrdersOf(cfg *configs.Config, cell *configs.Cell) (*Orders, error) {
	frozen, err := cfg.Frozen(cell.Name)
	return &Orders{cell, frozen}, err
}

// Order gives the cell new orders, which its loop takes when it comes round. It waits for that, or for ctx.
func (c *Cell) Order(ctx context.Context, o *Orders) error {
	c.orders.Store(o)
	return c.ask(ctx, func(context.Context) error { c.takeOrders(); return nil })
}

// takeOrders puts new limits, reactions and permissions into force, if there are any.
func (c *Cell) takeOrders() {
	o := c.orders.Swap(nil)
	if o == nil {
		return
	}
	c.settings.takeOrders(o)
	c.next.May = c.settings.May
	c.past.Final.May = c.next.May
	if c.run != nil {
		c.run.SetLimits(c.facts(), c.settings.Settings)
	}
}

func (s *Settings) takeOrders(o *Orders) {
	cell := o.cell
	s.Limits, s.Reactions, s.Frozen, s.Reason = cell.Limits, cell.Reactions, o.frozen, cell.Reason
	s.May, s.HoldAmperes = cell.May, drivers.Amperes(cell.HoldAmperes)
	s.AtTarget, s.OnStop = cell.AtTarget, cell.OnStop
}
