package daemon

import (
	"context"
	"errors"
	"fmt"
	"net"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/push"
	"nightcell/daemon/runlog"
)

// writeSmall writes a small file so that a crash leaves the old or the new one.
func writeSmall(path string, data []byte) error {
	return runlog.WriteFileAtomic(runlog.Disk{}, path, data, 0o640)
}

// serve binds the page and the control socket before it returns, and serves them,
// the pushes and the heartbeat until ctx ends. Wait on the group for their end, after an error too.
func (d *Daemon) serve(ctx context.Context) (*errgroup.Group, error) {
	group := new(errgroup.Group)
	cfg := d.o.Config
	if cfg.Page.Listen != "" {
		listener, err := net.Listen("tcp", cfg.Page.Listen)
		if err != nil {
			return group, fmt.Errorf("listening on %s: %w; free the address or change listen under [page]", cfg.Page.Listen, err)
		}
		handler, err := d.handler(ctx)
		if err != nil {
			return group, errors.Join(lasting(err), listener.Close())
		}
		d.address = listener.Addr().String()
		d.o.Log.Info("page and metrics", "address", d.address)
		d.serveHTTP(ctx, group, listener, handler)
	}
	d.reloading.Lock()
	d.startPushes = func(all []*push.Push) { d.exchangePushes(ctx, group, all) }
	d.startPushes(d.pushes.all())
	d.reloading.Unlock()
	group.Go(func() error {
		d.keepPlace(ctx) // ends with the daemon
		return nil
	})
	if err := d.serveControl(ctx, group); err != nil {
		return group, err
	}
	return group, d.serveHeartbeat(ctx, group)
}

// serveControl offers the local control socket.
func (d *Daemon) serveControl(ctx context.Context, group *errgroup.Group) error {
	if d.o.Config.Socket == "" {
		return nil
	}
	server, err := control.Listen(d.o.Config.Socket, operator{d}, d.o.Log)
	// The charge is counted all the same where the disk takes no socket, and on a Windows that has none.
	if runlog.DiskTrouble(err) || err != nil && runtime.GOOS == "windows" {
		d.o.Log.Error("no control socket: the command line does not reach this watch until it is started again where one can be made; the page can do the same", "err", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("opening the control socket: %w", err)
	}
	group.Go(func() error {
		d.keepSocket(ctx, server) // ends with the daemon
		last, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		return server.Close(last)
	})
	return nil
}

// serveHeartbeat beats towards the outside watcher.
func (d *Daemon) serveHeartbeat(ctx context.Context, group *errgroup.Group) error {
	h := d.o.Config.Heartbeat
	if h == nil {
		return nil
	}
	address, err := h.Address.Read()
	if err != nil {
		return lasting(fmt.Errorf("heartbeat: %w", err))
	}
	beat, err := routes.NewHeartbeat(routes.HeartbeatSettings{
		URL: address, Method: h.Method, Every: h.Every, CAFile: h.CAFile, Alive: d.pulses, Log: d.o.Log,
	})
	if err != nil {
		return lasting(err)
	}
	d.metrics.Heartbeat(beat.Health)
	beat.Start()
	group.Go(func() error {
		<-ctx.Done() // ends with the daemon
		beat.Stop()
		return nil
	})
	return nil
}
