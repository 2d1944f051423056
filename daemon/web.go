package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"net/http"
	"time"

	"golang.org/x/sync/errgroup"
)

// serveHTTP serves until ctx ends. Slow clients are cut off by time-outs.
func (d *Daemon) serveHTTP(ctx context.Context, group *errgroup.Group, l net.Listener, h http.Handler) {
	server := &http.Server{
		Handler: h, ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 15 * time.Second, IdleTimeout: time.Minute,
		MaxHeaderBytes: 16 << 10,
	}
	group.Go(func() error {
		if err := server.Serve(l); !errors.Is(err, http.ErrServerClosed) {
			return fmt.Errorf("serving the page: %w", err)
		}
		return nil
	})
	group.Go(func() error {
		<-ctx.Done() // ends with the daemon
		last, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		if err := server.Shutdown(last); err != nil {
			return server.Close() // somebody holds a stream open; they learn it by the cut
		}
		return nil
	})
}

// handler is everything that is served over HTTP.
func (d *Daemon) handler(context.Context) (http.Handler, error) {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", d.metrics.Handler())
	return mux, nil
}
