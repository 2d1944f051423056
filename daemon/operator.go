package daemon

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/configs/quantity"
	"nightcell/daemon/control"
	"nightcell/daemon/notices"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
)

// Operator returns what a person may ask of the daemon, through the socket or the page.
func (d *Daemon) Operator() *control.Operator {
	return &control.Operator{
		Status: d.status, Alarms: d.alarms, Begin: d.begin, Drill: d.drill,
		ChangeAlarm: func(ctx context.Context, a control.AlarmOrder) error {
			c, err := d.cell(a.Cell)
			if err != nil {
				return err
			}
			return c.ChangeAlarm(ctx, a)
		},
		Enter: on(d, func(e control.Entry) string { return e.Cell }, (*watch.Cell).Enter),
		Step:  on(d, func(s control.StepOrder) string { return s.Cell }, (*watch.Cell).Step),
		Off:   on(d, func(o control.CellOrder) string { return o.Cell }, switchOff),
		Hold:  on(d, func(o control.CellOrder) string { return o.Cell }, hold),
	}
}

// on makes what looks for the cell of an order and lets do carry it out there.
func on[In, Out any](d *Daemon, cellOf func(In) string, do func(*watch.Cell, context.Context, In) (Out, error)) func(context.Context, In) (Out, error) {
	return func(ctx context.Context, order In) (answer Out, err error) {
		c, err := d.cell(cellOf(order))
		if err != nil {
			return answer, err
		}
		return do(c, ctx, order)
	}
}

// cell finds a cell by name.
func (d *Daemon) cell(name string) (*watch.Cell, error) {
	if p := d.post(name); p != nil {
		return p.Cell, nil
	}
	return nil, control.Unknown("there is no cell %q; the cells are %s", name, strings.Join(d.names(), ", "))
}

func (d *Daemon) status(context.Context) ([]control.Cell, error) {
	all := []control.Cell{} // a list without entries, not null, while no cell has come round
	for _, s := range d.Snapshots() {
		c := control.Cell{
			Name: s.Name, Supply: s.Supply, Run: s.Run, Began: s.Began, State: stateOf(s),
			Mode: s.Reading.Mode.String(), Output: s.Reading.Output.String(),
			Volts: quantity.Maybe(math.NaN()), Amperes: quantity.Maybe(math.NaN()), ReadingAgeSeconds: quantity.Maybe(math.NaN()),
			ChargeCoulombs: quantity.Maybe(s.Charge.CountedCoulombs), ChargeUncertainty: quantity.Maybe(s.Charge.UncertaintyCoulombs), TargetCoulombs: quantity.Maybe(s.Charge.TargetCoulombs),
			DepositGrams: quantity.Maybe(s.Bath.DepositGrams), Left: s.Left,
		}
		c.MeterCoulombs, c.ByMeter = quantity.Maybe(s.Charge.MeterCoulombs), s.Reading.ByMeter
		c.LeadOhms, c.LeadUncertainty = quantity.Maybe(s.Charge.Leads.Ohms), quantity.Maybe(s.Charge.Leads.StandardUncertainty)
		if q := &s.Charge; q.Unconfirmed != "" {
			c.Unconfirmed, c.TargetWith, c.TargetWithout = q.Unconfirmed, quantity.Maybe(q.TargetWith), quantity.Maybe(q.TargetWithout)
		}
		if age, ok := d.readingAge(s); ok { // before the first reading its zeros are no figures
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

func (d *Daemon) alarms(_ context.Context, cell string) ([]control.Alarm, error) {
	if cell != "" {
		if _, err := d.cell(cell); err != nil {
			return nil, err
		}
	}
	var all []control.Alarm
	for _, s := range d.Snapshots() {
		if cell != "" && s.Name != cell {
			continue
		}
		for _, a := range s.Alarms {
			all = append(all, control.Alarm{Cell: s.Name, Alarm: a})
		}
	}
	slices.SortStableFunc(all, func(a, b control.Alarm) int { return sentence.Before(a.Alarm, b.Alarm) })
	return all, nil
}

func switchOff(c *watch.Cell, ctx context.Context, o control.CellOrder) (control.Outcome, error) {
	return outcome("the supply reports its output off and no current flows", c.SwitchOff(ctx, o.By))
}

func hold(c *watch.Cell, ctx context.Context, o control.CellOrder) (control.Outcome, error) {
	amperes, err := c.Hold(ctx, o.By)
	return outcome(fmt.Sprintf("the current reads back at or below %.3g A", float64(amperes)), err)
}

// outcome is what came of an act that is verified unless it failed.
func outcome(verified string, failed error) (control.Outcome, error) {
	if failed != nil {
		return control.Outcome{Text: failed.Error()}, failed
	}
	return control.Outcome{Verified: true, Text: verified}, nil
}

func (d *Daemon) drill(ctx context.Context, a control.CellOrder) ([]routes.Receipt, error) {
	c, err := d.cell(a.Cell)
	if err != nil {
		return nil, err
	}
	receipts := d.post(a.Cell).box.Load().Drill(ctx, routes.Notice{
		ID: notices.ID("drill-"+a.Cell, d.o.Clock.UTC()), Cell: a.Cell, Kind: routes.Drill, Priority: alerts.Low, At: d.o.Clock.UTC(),
		Subject: "test of the routes", Text: "This is a drill, requested by " + a.By + "; it is not an alarm. " + standingWords(c.Latest()), Drill: true,
		Supply: c.Supply(), Values: d.present(c.Latest()),
	})
	if len(receipts) == 0 {
		return nil, control.BadRequest("no route is configured for cell %s; add a [route.NAME] table", a.Cell)
	}
	return receipts, nil
}

// Begin clears a cell for a run that nobody attends,
// if the supply's own protections, the reading, the zero, the routes and the person all agree.
func (d *Daemon) begin(ctx context.Context, b control.BeginOrder) ([]control.Check, error) {
	c, err := d.cell(b.Cell)
	if err != nil {
		return nil, err
	}
	checks := []control.Check{d.routeProof(b.Cell)}
	for _, word := range control.ToConfirm() {
		ok := slices.Contains(b.Confirmed, word)
		text := "confirmed by " + b.By
		if !ok {
			text = "check it and confirm it"
		}
		checks = append(checks, control.Check{Name: word, OK: ok, Text: text})
	}
	return c.Clear(ctx, b, checks)
}

// routeProof says whether some route has lately proved that it delivers.
func (d *Daemon) routeProof(cell string) control.Check {
	k := control.Check{Name: "route"}
	within := d.config.Load().RouteProof
	for _, h := range d.post(cell).box.Load().Health() {
		if age := d.o.Clock.UTC().Sub(h.Proved); !h.Proved.IsZero() && age <= within {
			k.OK, k.Text = true, fmt.Sprintf("%s delivered %s ago", h.Name, quantity.Duration(age.Round(time.Second)))
			return k
		}
	}
	k.Text = fmt.Sprintf("no route has delivered within %s; run nightcell drill %s", quantity.Duration(within), cell)
	return k
}
