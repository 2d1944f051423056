//go:build linux || darwin || freebsd || netbsd || openbsd

package simulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"
	"golang.org/x/term"

	"nightcell/drivers"
)

// Serve puts the instrument behind a pseudo-terminal until the context ends or Close is called. link is the stable
// name to give it, a symbolic link that must not exist as anything else; "" makes one in a temporary directory.
func Serve(ctx context.Context, i *Instrument, link string) (*PTY, error) {
	p := &PTY{instrument: i, link: link, stopped: make(chan struct{})}
	if link == "" {
		dir, err := os.MkdirTemp("", "nightcell-supply-")
		if err != nil {
			return nil, fmt.Errorf("simulated: directory for the port's name: %w", err)
		}
		p.made, p.link = dir, filepath.Join(dir, "port")
	} else if info, err := os.Lstat(link); err == nil && info.Mode()&os.ModeSymlink == 0 {
		return nil, fmt.Errorf("simulated: %s exists and is not a symbolic link; choose another name for the port", link)
	}
	ctx, p.cancel = context.WithCancel(ctx)
	first, err := p.plug()
	if err != nil {
		p.cancel()
		p.tidy()
		return nil, err
	}
	go func() {
		defer close(p.stopped)
		defer p.tidy()
		p.err = p.serve(ctx, first)
	}()
	return p, nil
}

// tidy removes the link and our directory.
func (p *PTY) tidy() {
	_ = os.Remove(p.link) // may be gone: unplugged
	if p.made != "" {
		_ = os.Remove(p.made)
	}
}

// cable is one pseudo-terminal pair. The slave is held open by us as well: with nobody holding it, reading the
// master fails, and the port would not outlive its first client.
type cable struct {
	master, slave *os.File
}

// plug makes a pair and points the link at it.
func (p *PTY) plug() (*cable, error) {
	master, slave, err := pty.Open()
	if err != nil {
		return nil, fmt.Errorf("simulated: open a pseudo-terminal: %w", err)
	}
	c := &cable{master, slave}
	if c.master, err = pollable(master); err != nil {
		c.master = master
		c.unplug()
		return nil, fmt.Errorf("simulated: prepare %s: %w", master.Name(), err)
	}
	if _, err := term.MakeRaw(int(slave.Fd())); err != nil {
		c.unplug()
		return nil, fmt.Errorf("simulated: make %s raw: %w", slave.Name(), err)
	}
	// A link is replaced by renaming, so that nobody finds it missing.
	fresh := p.link + ".new"
	_ = os.Remove(fresh) // left by a server that was killed
	err = os.Symlink(slave.Name(), fresh)
	if err == nil {
		err = os.Rename(fresh, p.link)
	}
	if err != nil {
		c.unplug()
		return nil, fmt.Errorf("simulated: name the port %s: %w", p.link, err)
	}
	return c, nil
}

// pollable returns the same end of the pair in non-blocking mode, which the library's ioctls have taken from it: only so does
// closing it wake a reader, and only so do deadlines hold.
func pollable(f *os.File) (*os.File, error) {
	fd, err := unix.FcntlInt(f.Fd(), unix.F_DUPFD_CLOEXEC, 0)
	if err != nil {
		return nil, err
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		_ = unix.Close(fd)
		return nil, err
	}
	name := f.Name()
	_ = f.Close() // the duplicate lives on
	return os.NewFile(uintptr(fd), name), nil
}

// unplug closes both ends; a client sees its port hang up.
func (c *cable) unplug() {
	_ = c.slave.Close() // nothing was written to it
	_ = c.master.Close()
}

// serve answers until the context ends, through every unplugging.
func (p *PTY) serve(ctx context.Context, c *cable) error {
	for {
		in, until := p.instrument.plugged(p.instrument.now())
		switch {
		case in && c == nil:
			var err error
			if c, err = p.plug(); err != nil {
				return err
			}
		case !in && c != nil:
			_ = os.Remove(p.link) // gone already is as good
			c = nil
		}
		if err := p.until(ctx, c, until); err != nil || ctx.Err() != nil {
			return err
		}
	}
}

// until serves one cable, or none, up to an instant of the instrument's clock or the end of the context; it
// leaves the cable unplugged.
func (p *PTY) until(ctx context.Context, c *cable, edge time.Duration) error {
	if edge != forever {
		var cancel context.CancelFunc
		// A microsecond more, so that the edge has passed when we look, whatever was rounded.
		ctx, cancel = context.WithTimeout(ctx, p.instrument.real(edge-p.instrument.now())+time.Microsecond)
		defer cancel()
	}
	if c == nil {
		<-ctx.Done() // the end, or the cable returns
		return nil
	}
	answered := make(chan error, 1)
	go func() { answered <- p.answer(ctx, c) }()
	select {
	case <-ctx.Done():
		c.unplug()
		<-answered // ends at once: its read or write fails
		return nil
	case err := <-answered:
		c.unplug()
		return err
	}
}

// answer reads messages and writes replies.
func (p *PTY) answer(ctx context.Context, c *cable) error {
	var pending []byte
	buffer, patience := make([]byte, longestLine), longPatience
	for {
		n, err := c.master.Read(buffer)
		if err != nil {
			if ctx.Err() != nil || errors.Is(err, os.ErrClosed) {
				return nil
			}
			return fmt.Errorf("simulated: read %s: %w", c.master.Name(), err)
		}
		pending = append(pending, buffer[:n]...)
		for {
			length, answer := p.instrument.hear(pending)
			if length == 0 {
				break
			}
			pending = append(pending[:0], pending[length:]...)
			for _, r := range answer {
				if len(r.reply) == 0 {
					continue
				}
				if r.delay > 0 && drivers.Rest(ctx, r.delay) != nil {
					return nil
				}
				if err := c.write(r.reply, &patience); err != nil {
					if ctx.Err() != nil || errors.Is(err, os.ErrClosed) {
						return nil
					}
					return fmt.Errorf("simulated: write %s: %w", c.master.Name(), err)
				}
			}
		}
	}
}

// write hands a reply over. A client that does not read must not hang us: what does not fit within the patience is
// lost, as on a wire, and from then on patience is short until something fits again.
func (c *cable) write(reply []byte, patience *time.Duration) error {
	if err := c.master.SetWriteDeadline(time.Now().Add(*patience)); err != nil {
		return err
	}
	_, err := c.master.Write(reply)
	switch {
	case errors.Is(err, os.ErrDeadlineExceeded):
		*patience = time.Millisecond
		return nil
	case err == nil:
		*patience = longPatience
	}
	return err
}

// longPatience is how long a reply waits for room.
const longPatience = 500 * time.Millisecond
