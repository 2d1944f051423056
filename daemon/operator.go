package daemon

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/notices"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
)

// operator is what a person may ask of the daemon, through the socket or the page.
type operator struct{ d *Daemon }

// Operator returns what a person may ask of the daemon.
func (d *Daemon) Operator() control.Operator { return operator{d} }

// cell finds a cell by name.
func (o operator) cell(name string) (*watch.Cell, error) {
	for _, c := range o.d.cells {
		if c.Name() == name {
			return c, nil
		}
	}
	var names []string
	for _, c := range o.d.cells {
		names = append(names, c.Name())
	}
	return nil, control.Unknown("there is no cell %q; the cells are %v", name, names)
}

// Status implements control.Operator.
func (o operator) Status(context.Context) ([]control.Cell, error) {
	all := []control.Cell{} // a list without entries, not null, while no cell has come round
	for _, s := range o.d.Snapshots() {
		c := control.Cell{
			Name: s.Name, Supply: s.Supply, Run: s.Run, Began: s.Began, State: stateOf(s),
			Mode: s.Reading.Mode.String(), Output: s.Reading.Output.String(),
			Volts: quantity.Maybe(math.NaN()), Amperes: quantity.Maybe(math.NaN()), ReadingAgeSeconds: quantity.Maybe(math.NaN()),
			ChargeCoulombs: quantity.Maybe(s.Charge.CountedCoulombs), ChargeUncertainty: quantity.Maybe(s.Charge.UncertaintyCoulombs), TargetCoulombs: quantity.Maybe(s.Charge.TargetCoulombs),
			DepositGrams: quantity.Maybe(s.Bath.DepositGrams),
		}
		if q := &s.Charge; q.Unconfirmed != "" {
			c.Unconfirmed, c.TargetWith, c.TargetWithout = q.Unconfirmed, quantity.Maybe(q.TargetWith), quantity.Maybe(q.TargetWithout)
		}
		if age, ok := o.d.readingAge(s); ok { // before the first reading its zeros are no figures
			c.ReadingAgeSeconds = quantity.Maybe(age.Seconds())
			c.Volts, c.Amperes = quantity.Maybe(s.Reading.Volts), quantity.Maybe(s.Reading.Amperes)
		}
		for _, a := range s.Alarms {
			if !a.State.Hidden() { // what is set aside or not judged now is on the list, and is no alarm
				c.Alarms++
			}
			if a.State.Unanswered() {
				c.Unanswered++
			}
		}
		all = append(all, c)
	}
	return all, nil
}

func stateOf(s *snapshot.Cell) string {
	switch {
	case !s.Link.Up:
		return "silent"
	case s.Ended:
		return "ended"
	case s.Waiting:
		return "waiting"
	}
	return "running"
}

// Alarms implements control.Operator.
func (o operator) Alarms(_ context.Context, cell string) ([]control.Alarm, error) {
	if cell != "" {
		if _, err := o.cell(cell); err != nil {
			return nil, err
		}
	}
	var all []control.Alarm
	for _, s := range o.d.Snapshots() {
		if cell != "" && s.Name != cell {
			continue
		}
		for _, a := range s.Alarms {
			all = append(all, control.Alarm{Cell: s.Name, Alarm: a})
		}
	}
	slices.SortStableFunc(all, func(a, b control.Alarm) int { return cmp.Compare(rank(b), rank(a)) })
	return all, nil
}

// rank orders alarms by urgency: those that stand or wait for an answer, by priority,
// before those that are set aside or not judged now; of the same priority the unanswered ones first.
func rank(a control.Alarm) int {
	r := 2 * int(a.Priority)
	if a.State.Unanswered() {
		r++
	}
	if !a.State.Hidden() {
		r += 100
	}
	return r
}

// onAlarm lets an order act on the alarm that it names.
func (o operator) onAlarm(ctx context.Context, a control.AlarmOrder, do func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error)) error {
	c, err := o.cell(a.Cell)
	if err != nil {
		return err
	}
	return c.ChangeAlarm(ctx, a.Condition, do)
}

// Acknowledge implements control.Operator.
func (o operator) Acknowledge(ctx context.Context, a control.AlarmOrder) error {
	c, err := o.cell(a.Cell)
	if err != nil {
		return err
	}
	return c.Acknowledge(ctx, a)
}

// Shelve implements control.Operator.
func (o operator) Shelve(ctx context.Context, s control.ShelveOrder) error {
	return o.onAlarm(ctx, s.AlarmOrder, func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error) {
		return b.Shelve(cond, s.By, s.Reason, time.Duration(s.Seconds*float64(time.Second)), utc)
	})
}

// Unshelve implements control.Operator.
func (o operator) Unshelve(ctx context.Context, a control.AlarmOrder) error {
	return o.onAlarm(ctx, a, func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error) {
		return b.Unshelve(cond, a.By, utc)
	})
}

// Enter implements control.Operator.
func (o operator) Enter(ctx context.Context, e control.Entry) (control.Entered, error) {
	c, err := o.cell(e.Cell)
	if err != nil {
		return control.Entered{}, err
	}
	return c.Enter(ctx, e)
}

// Settle implements control.Operator.
func (o operator) Settle(ctx context.Context, s control.Settlement) (control.Settlement, error) {
	c, err := o.cell(s.Cell)
	if err != nil {
		return s, err
	}
	return c.Settle(ctx, s)
}

// Off implements control.Operator.
func (o operator) Off(ctx context.Context, a control.CellOrder) (control.Outcome, error) {
	c, err := o.cell(a.Cell)
	if err != nil {
		return control.Outcome{}, err
	}
	if err := c.SwitchOff(ctx, a.By); err != nil {
		return control.Outcome{Text: err.Error()}, err
	}
	return control.Outcome{Verified: true, Text: "the supply says its output is off and no current flows"}, nil
}

// Hold implements control.Operator.
func (o operator) Hold(ctx context.Context, a control.CellOrder) (control.Outcome, error) {
	c, err := o.cell(a.Cell)
	if err != nil {
		return control.Outcome{}, err
	}
	amperes, err := c.Hold(ctx, a.By)
	if err != nil {
		return control.Outcome{Text: err.Error()}, err
	}
	return control.Outcome{Verified: true, Text: fmt.Sprintf("the current reads back at or under %.3g A", float64(amperes))}, nil
}

// Drill implements control.Operator.
func (o operator) Drill(ctx context.Context, a control.CellOrder) ([]control.Receipt, error) {
	c, err := o.cell(a.Cell)
	if err != nil {
		return nil, err
	}
	for _, b := range o.d.boxes {
		if b.cell != a.Cell {
			continue
		}
		receipts := b.box.Load().Drill(ctx, routes.Notice{
			ID: notices.ID("drill-"+a.Cell, o.d.o.Clock.UTC()), Cell: a.Cell, Kind: routes.Drill, Priority: routes.Low, At: o.d.o.Clock.UTC(),
			Subject: "test of the routes", Text: "This is a drill, asked for by " + a.By + ", and tells of no alarm. " + standingWords(c.Latest()), Drill: true,
			Supply: c.Supply(), Values: o.d.present(c.Latest()),
		})
		if len(receipts) == 0 {
			return nil, control.BadRequest("no route is configured for cell %s; write a [route.NAME] table", a.Cell)
		}
		return control.Receipts(receipts), nil
	}
	return nil, control.Unknown("cell %s has no routes", a.Cell)
}

// Reset implements control.Operator.
func (o operator) Reset(ctx context.Context, a control.AlarmOrder) error {
	return o.onAlarm(ctx, a, func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error) {
		return b.Reset(cond, a.By, utc)
	})
}

// OutOfService implements control.Operator.
func (o operator) OutOfService(ctx context.Context, a control.ServiceOrder) error {
	return o.onAlarm(ctx, a.AlarmOrder, func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error) {
		return b.OutOfService(cond, a.By, a.Reason, utc)
	})
}

// ReturnToService implements control.Operator.
func (o operator) ReturnToService(ctx context.Context, a control.AlarmOrder) error {
	return o.onAlarm(ctx, a, func(b *alerts.Board, cond alerts.Condition, utc time.Time) (alerts.Change, error) {
		return b.ReturnToService(cond, a.By, utc)
	})
}

// Step implements control.Operator.
func (o operator) Step(ctx context.Context, s control.StepOrder) (control.StepResult, error) {
	c, err := o.cell(s.Cell)
	if err != nil {
		return control.StepResult{}, err
	}
	return c.Step(ctx, s)
}
