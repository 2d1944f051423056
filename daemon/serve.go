package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"time"

	"golang.org/x/sync/errgroup"

	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/push"
	"nightcell/daemon/runlog"
	"nightcell/drivers/lock"
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
		handler, err := d.handler()
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
	group.Go(func() error { return d.keepPlace(ctx) })
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
	server, err := control.Listen(d.o.Config.Socket, d.Operator(), d.o.Log)
	// The charge is counted all the same where the disk takes no socket, and on a Windows that has none.
	if runlog.DiskTrouble(err) || err != nil && runtime.GOOS == "windows" {
		d.o.Log.Error("no control socket: the command line does not reach this watch until it is started again where one can be made; the page can do the same", "err", err)
		return nil
	}
	if err != nil {
		return fmt.Errorf("opening the control socket: %w", err)
	}
	group.Go(func() error {
		_ = d.keepSocket(ctx, server) // nil, with the daemon's end
		last, cancel := context.WithTimeout(context.Background(), 2*time.Second)
		defer cancel()
		return server.Close(last)
	})
	return nil
}

// serveHeartbeat beats towards the outside watcher.
func (d *Daemon) serveHeartbeat(ctx context.Context, group *errgroup.Group) error {
	if d.o.Config.Heartbeat == nil {
		return nil
	}
	s := *d.o.Config.Heartbeat
	s.Alive, s.Log = d.pulses, d.o.Log
	beat, err := routes.NewHeartbeat(s)
	if err != nil {
		return lasting(err)
	}
	d.metrics.Heartbeat(beat.Health)
	group.Go(func() error {
		beat.Run(ctx) // ends with the daemon
		return nil
	})
	return nil
}

// placeEvery is how often, in the machine's time, it is looked whether lock and socket still lie
// where they were made. The logs are looked after by their cells.
const placeEvery = 30 * time.Second

// SetupError is a start that fails by what the configuration names, such as a file with a key: no restart mends it.
type SetupError struct{ error }

// Unwrap returns the cause.
func (e *SetupError) Unwrap() error { return e.error }

// lasting makes err a SetupError, unless somebody holds what is wanted, or the system has said something that passes.
func lasting(err error) error {
	var held *lock.HeldError
	var said syscall.Errno
	if errors.As(err, &held) || errors.As(err, &said) && !errors.Is(err, fs.ErrNotExist) && !errors.Is(err, fs.ErrPermission) && said != syscall.ENOTDIR {
		return err
	}
	return &SetupError{err}
}

// lockPath is where the data directory's lock lies.
func (d *Daemon) lockPath() string { return filepath.Join(d.o.Config.Data, "lock") }

// lockData makes sure that no other daemon works on the same data. A directory that everybody may
// write to is refused, because anybody could put something else in the place of lock and logs.
func (d *Daemon) lockData() error {
	data := d.o.Config.Data
	info, err := os.Stat(data)
	if err != nil {
		return lasting(fmt.Errorf("looking at the data directory: %w", err))
	}
	if info.Mode().Perm()&0o002 != 0 && runtime.GOOS != "windows" {
		return lasting(fmt.Errorf("any user may write to the data directory %s (%s) and replace its logs; chmod o-w %s, or set another under data", data, info.Mode().Perm(), data))
	}
	l, err := lock.Take(d.lockPath())
	var held *lock.HeldError
	switch {
	case errors.As(err, &held):
		holder := "another process"
		if held.PID != 0 {
			holder = fmt.Sprintf("process %d", held.PID)
		}
		return fmt.Errorf("the data directory %s is in use by %s; stop it, or use another data directory", data, holder)
	case err != nil:
		return lasting(fmt.Errorf("the data directory: %w", err))
	}
	d.lock = l
	return nil
}

func (d *Daemon) unlock() error {
	d.relock.Lock()
	defer d.relock.Unlock()
	return d.lock.Release()
}

// every calls do at every tick until ctx ends, and logs what it says, once for each trouble. It returns nil.
func (d *Daemon) every(ctx context.Context, interval time.Duration, what string, do func() error) error {
	tick := time.NewTicker(interval)
	defer tick.Stop()
	said := ""
	for {
		select { // ends with ctx; the ticker always comes
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		err := do()
		switch {
		case err == nil:
			said = ""
		case err.Error() != said:
			said = err.Error()
			d.o.Log.Error(what, "err", err)
		}
	}
}

// keepPlace takes the data directory's lock anew when it is gone, until ctx ends.
func (d *Daemon) keepPlace(ctx context.Context) error {
	return d.every(ctx, placeEvery, "the lock of the data directory was removed and cannot be restored; another nightcell could start on the same data", func() error {
		d.relock.Lock()
		defer d.relock.Unlock()
		if d.lock.Stands() {
			return nil
		}
		if err := os.MkdirAll(d.o.Config.Data, 0o750); err != nil {
			return err
		}
		l, err := lock.Take(d.lockPath())
		if err != nil {
			return err
		}
		d.o.Log.Warn("the lock of the data directory was removed; restored", "path", d.lockPath())
		before := d.lock
		d.lock = l
		return before.Release()
	})
}

// keepSocket puts the control socket back when it is gone, until ctx ends.
func (d *Daemon) keepSocket(ctx context.Context, server *control.Server) error {
	return d.every(ctx, placeEvery, "the control socket was removed and cannot be restored; commands do not reach this daemon", func() error {
		back, err := server.PutBack()
		if back {
			d.o.Log.Warn("the control socket was removed; restored", "path", d.o.Config.Socket)
		}
		return err
	})
}
