package simulated

import (
	"context"
	"regexp"
	"strings"
	"time"

	"nightcell/drivers"
)

// wire is the state of the line at an instant.
type wire struct {
	gone, silent, echo   bool
	garbage, drop, blank float64 // chances
	special              float64
	value                string
	late                 float64
	lateBy, slow, spread time.Duration
}

func (t *timeline) wire(at time.Duration) wire {
	var w wire
	for _, o := range t.line {
		if at >= o.from && at < o.to {
			o.kind.spoils(&o.Event, &w)
		}
	}
	return w
}

// specialValues are SCPI-1999's numbers for what is no number (Volume 1, 7.2.1.4 and 7.2.1.5).
func specialValue(name string) string {
	switch name {
	case "overflow":
		return "9.9E+37"
	case "negative-overflow":
		return "-9.9E+37"
	}
	return "9.91E+37"
}

// spoil does to a reply what the line does.
func (i *Instrument) spoil(w wire, r response) response {
	if len(r.reply) == 0 {
		return r
	}
	if w.special > 0 && i.random.Float64() < w.special {
		r.reply = []byte(replaceNumbers(string(r.reply), specialValue(w.value)))
	}
	if w.garbage > 0 && i.random.Float64() < w.garbage {
		r.reply = i.noise(len(r.reply))
	}
	if w.drop > 0 {
		kept := r.reply[:0]
		for _, b := range r.reply {
			if i.random.Float64() >= w.drop {
				kept = append(kept, b)
			}
		}
		r.reply = kept
	}
	if w.blank > 0 && i.random.Float64() < w.blank {
		r.reply = append([]byte("\n"), r.reply...)
	}
	r.delay = w.slow + time.Duration(i.random.Float64()*float64(w.spread))
	if w.late > 0 && i.random.Float64() < w.late {
		r.delay += w.lateBy
	}
	return r
}

// noise is a line of bytes that no instrument sends.
func (i *Instrument) noise(n int) []byte {
	out := make([]byte, n+1)
	for k := range out {
		out[k] = byte(0x80 + i.random.IntN(0x80))
	}
	out[n] = '\n'
	return out
}

// replaceNumbers puts value in the place of every response item with four decimals, which is what measured and set
// levels have.
func replaceNumbers(reply, value string) string {
	return items.ReplaceAllStringFunc(strings.TrimSuffix(reply, "\n"), func(item string) string {
		if point := strings.IndexByte(item, '.'); point >= 0 && len(item)-point == 5 && strings.Trim(item, "+-.0123456789") == "" {
			return value
		}
		return item
	}) + "\n"
}

var items = regexp.MustCompile(`[^;,]+`)

// lost says whether, and why, a poll made in process fails at an instant; "" is a good poll.
func (i *Instrument) lost(w wire) drivers.Reason {
	switch chance := func(p float64) bool { return p > 0 && i.random.Float64() < p }; {
	case i.dark || w.gone || w.silent:
		return drivers.NoReply
	case w.echo:
		return drivers.Echo
	case chance(w.garbage), chance(w.drop * 6): // a reading has about six characters
		return drivers.NotNumeric
	case chance(w.blank):
		return drivers.Blank
	case chance(w.special):
		if w.value == "not-a-number" {
			return drivers.NotANumber
		}
		return drivers.Overflow
	case w.lateBy >= time.Second && chance(w.late), w.slow >= 2*time.Second:
		return drivers.NoReply
	}
	return ""
}

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
		if o.Kind != "unplug" {
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
