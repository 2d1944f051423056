package daemon

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/prometheus/exporter-toolkit/web"
	"golang.org/x/sync/errgroup"

	"nightcell/alerts/routes"
	"nightcell/configs"
	"nightcell/daemon/history"
	"nightcell/daemon/ledger"
	"nightcell/daemon/notices"
	"nightcell/daemon/page"
	"nightcell/daemon/report"
	"nightcell/daemon/runlog"
)

// mostConnections bounds the descriptors that browsers and scrapers can use up.
const mostConnections = 256

// serveHTTP serves until ctx ends. Slow clients are cut off by time-outs and, when
// all connections are taken, to make room.
func (d *Daemon) serveHTTP(ctx context.Context, group *errgroup.Group, l net.Listener, site http.Handler) {
	server := &http.Server{
		Handler:           site,
		BaseContext:       func(net.Listener) context.Context { return ctx }, // so that streams end with the daemon
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute,
		MaxHeaderBytes: 16 << 10,
		ErrorLog:       slog.NewLogLogger(d.o.Log.Handler(), slog.LevelDebug), // what strangers send wrong is their matter
	}
	page.Bound(server, mostConnections)
	group.Go(func() error {
		d.history.Load().Run(ctx)
		return nil
	})
	group.Go(func() error {
		err := web.Serve(l, server, &web.FlagConfig{WebConfigFile: &d.o.Config.Page.WebConfig}, d.o.Log)
		if !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serving the page: %w", err)
		}
		return nil
	})
	group.Go(func() error {
		<-ctx.Done() // ends with the daemon
		last, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if err := server.Shutdown(last); err != nil {
			return server.Close() // somebody is in the middle of something; they learn it by the cut
		}
		return nil
	})
}

// handler prepares everything that is served over HTTP; nothing is running yet.
func (d *Daemon) handler() (http.Handler, error) {
	cfg := d.o.Config
	if cfg.Page.WebConfig != "" {
		if err := web.Validate(cfg.Page.WebConfig); err != nil {
			return nil, fmt.Errorf("web configuration %s: %w", cfg.Page.WebConfig, err)
		}
	}
	token, err := cfg.Page.Token.Read()
	if err != nil {
		return nil, fmt.Errorf("the operator token: %w", err)
	}
	past := history.New(cfg.Data, d.names(), d.o.Log)
	d.history.Store(past)
	p, err := page.New(page.Settings{
		Cells: d.Snapshots, Operator: d.Operator(), History: past, Data: cfg.Data, Ledger: d.ledgers, Token: token,
		Links: d.links, ByLink: d.byLink, Picture: d.hours,
		Now: d.o.Clock.UTC, Zone: time.Local, Log: d.o.Log,
	})
	if err != nil {
		return nil, err
	}
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", d.metrics.Handler(d.o.Log))
	mux.HandleFunc("GET /healthz", d.healthz)
	mux.Handle("/", p.Handler())
	return page.Guard(mux, cfg.Page.Listen, cfg.Page.Hosts), nil
}

// healthz tells programs what the watchdog is told: 200 while good readings come, else 503.
func (d *Daemon) healthz(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	if !d.kept() {
		w.WriteHeader(http.StatusServiceUnavailable)
		fmt.Fprintln(w, "no recent good reading")
		return
	}
	fmt.Fprintln(w, "ok")
}

// ledgers is what the ledgers say of a cell.
func (d *Daemon) ledgers(cell string) []report.Figure {
	cfg := d.config.Load()
	if c := cfg.Cell(cell); c != nil {
		return ledger.OfCell(cfg.Data, c)
	}
	return nil
}

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
		run, err := notices.RunAt(runlog.CellDir(cfg.Data, n.Cell), n.At)
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
	return slices.ContainsFunc(d.config.Load().Routes, func(r configs.Route) bool { return r.Name == route && r.ByLink })
}

// hours draws the hours of a cell around the beginning of an alarm.
func (d *Daemon) hours(ctx context.Context, cell string, since time.Time) ([]byte, error) {
	return notices.Picture(ctx, d.o.Config.Data, cell, routes.Notice{At: d.o.Clock.UTC(), Since: since})
}
