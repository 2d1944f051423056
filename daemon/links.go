package daemon

import (
	"context"
	"net/url"
	"time"

	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/cursor"
	"nightcell/daemon/notices"
	"nightcell/daemon/page"
)

// openLinks takes the key of the links, if notices are to carry any. Without it they lead to the cell alone: a watch is
// not refused for want of a convenience.
func (d *Daemon) openLinks(cfg *configs.Config) {
	if cfg.Page.PublicURL == "" {
		return
	}
	var err error
	if d.links, err = page.OpenLinks(cfg.Data); err != nil {
		d.o.Log.Error("links in notifications cannot be signed: they lead only to the cell", "err", err)
	}
}

// linkOf is where a notice leads on the page: to its alarm while that waits for an answer, else to its cell.
func (d *Daemon) linkOf(cfg *configs.Config) func(route, person string, n routes.Notice) string {
	if cfg.Page.PublicURL == "" {
		return nil
	}
	return func(route, person string, n routes.Notice) string {
		run, err := notices.RunAt(cursor.CellDir(cfg.Data, n.Cell), n.At)
		if err != nil || d.links == nil || n.Kind != routes.Alarm || n.Since.IsZero() {
			return cfg.Page.PublicURL + "/cell/" + url.PathEscape(n.Cell)
		}
		return cfg.Page.PublicURL + "/alarm/" + d.links.Sign(page.Link{
			Cell: n.Cell, Run: run, Condition: n.Condition, Since: n.Since, Route: route, Person: person, Ends: d.o.Clock.UTC().Add(cfg.Page.LinkLasts),
		})
	}
}

// byLink says whether the links of a route acknowledge, by the configuration in force.
func (d *Daemon) byLink(route string) bool {
	for _, r := range d.config.Load().Routes {
		if r.Name == route {
			return r.ByLink
		}
	}
	return false
}

// hours draws the hours of a cell around the beginning of an alarm.
func (d *Daemon) hours(ctx context.Context, cell string, since time.Time) ([]byte, error) {
	return notices.Picture(ctx, d.o.Config.Data, cell, routes.Notice{At: d.o.Clock.UTC(), Since: since})
}
