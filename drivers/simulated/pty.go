package simulated

import (
	"context"
	"time"
)

// PTY is an instrument behind a pseudo-terminal. Serve opens it.
type PTY struct {
	instrument *Instrument
	link       string // the stable name
	made       string // a directory of our own around it, or ""
	cancel     context.CancelFunc
	stopped    chan struct{}
	err        error // valid once stopped is closed
}

// Path is the stable name of the port: a symbolic link that vanishes while the script has the cable unplugged, and
// afterwards points to a new device, as a by-id link does.
func (p *PTY) Path() string { return p.link }

// Done is closed when serving has stopped.
func (p *PTY) Done() <-chan struct{} { return p.stopped }

// Wait returns when serving has stopped: nil after Close or the end of the context.
func (p *PTY) Wait() error {
	<-p.stopped
	return p.err
}

// Close stops serving, removes the link, and waits until that is done, which takes at most a few milliseconds.
func (p *PTY) Close() error {
	p.cancel()
	return p.Wait()
}

// plugged says whether the cable is in now, and until when on the instrument's clock.
func (i *Instrument) plugged(now time.Duration) (in bool, until time.Duration) {
	i.mu.Lock()
	defer i.mu.Unlock()
	until = forever
	in = true
	for _, o := range i.night.line {
		if o.event.Kind != "unplug" {
			continue
		}
		if now >= o.from && now < o.to {
			in = false
		}
		for _, edge := range []time.Duration{o.from, o.to} {
			if edge > now {
				until = min(until, edge)
			}
		}
	}
	return in, until
}

// real converts a span of the instrument's clock into the machine's; with a Now of the caller's own they are taken as equal.
func (i *Instrument) real(d time.Duration) time.Duration {
	if i.setup.Now != nil || i.setup.Clock.Speed() == 0 {
		return d
	}
	return i.setup.Clock.Real(d)
}
