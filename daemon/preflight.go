package daemon

import (
	"context"
	"fmt"
	"slices"
	"time"

	"nightcell/daemon/control"
)

// toConfirm are the things that only a person at the cell can see.
var toConfirm = []string{"leads", "level", "ventilation", "containment"}

// Begin implements control.Operator: it clears a cell for a run that nobody attends,
// if the supply's own protections, the reading, the zero, the routes and the person all agree.
func (o operator) Begin(ctx context.Context, b control.BeginOrder) ([]control.Check, error) {
	c, err := o.cell(b.Cell)
	if err != nil {
		return nil, err
	}
	checks := []control.Check{o.d.routeProof(b.Cell)}
	for _, word := range toConfirm {
		ok := slices.Contains(b.Confirmed, word)
		text := "confirmed by " + b.By
		if !ok {
			text = "look at it and confirm it"
		}
		checks = append(checks, control.Check{Name: word, OK: ok, Text: text})
	}
	return c.Clear(ctx, b, checks)
}

// routeProof says whether some route has lately proved that it delivers.
func (d *Daemon) routeProof(cell string) control.Check {
	k := control.Check{Name: "route"}
	within := d.config.Load().Preflight.RouteProof
	for _, b := range d.boxes {
		if b.cell != cell {
			continue
		}
		for _, h := range b.box.Load().Health() {
			if age := d.o.Clock.UTC().Sub(h.Proved); !h.Proved.IsZero() && age <= within {
				k.OK, k.Text = true, fmt.Sprintf("%s delivered %v ago", h.Route, age.Round(time.Second))
				return k
			}
		}
	}
	k.Text = fmt.Sprintf("no route has proved delivery within %v; run nightcell drill %s", within, cell)
	return k
}
