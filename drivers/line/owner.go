package line

import (
	"bytes"
	"errors"
	"fmt"
	"strings"
	"time"

	"nightcell/drivers"
)

// errAbandoned says that the caller of a job went away.
var errAbandoned = errors.New("abandoned")

type kind uint8

const (
	exchange kind = iota
	next
	send
	drain
)

// job is what the owner is asked to do; the bytes to send are in wire.tx.
type job struct {
	kind  kind
	n     int           // bytes of tx to send
	wait  time.Duration // for the answer, or the quiet time of a drain
	unit  byte          // of Modbus
	limit time.Duration // for the system to take the bytes, and the unit to acknowledge them
}

// result is the end of a job; an answer is in wire.rx[:n].
type result struct {
	n              int
	sent, received time.Time
	err            error
}

// own is the only goroutine that reads, writes and closes the port. A write after
// close would reach whatever file the system gave the descriptor's number to, so
// nobody else may hold the port, and the owner ends with it.
func (l *wire) own() {
	defer close(l.ended)
	for {
		select { // ends by quit, which Close closes
		case <-l.quit:
			l.closeErr = l.port.close()
			return
		case j := <-l.jobs:
			l.results <- l.do(j)
		}
	}
}

// shared adds to the error of an answer that did not come as it should, or of a port that
// broke, who else has the port.
func (l *wire) shared(err error) error {
	if err == nil || errors.Is(err, errAbandoned) {
		return err
	}
	if by := l.port.others(); by != "" {
		return fmt.Errorf("%w; %w", err, &drivers.Shared{By: by})
	}
	return err
}

func (l *wire) do(j job) (r result) {
	if r, ok := l.port.(*registers); ok {
		r.address(j.unit)
	}
	switch j.kind {
	case drain:
		return l.drainInput(j.wait)
	case send:
		r.sent = time.Now()
		if r.err = l.write(j); r.err == nil && l.settings.Echo {
			r.err = l.answer(r.sent.Add(l.settings.writeLimit(2*j.n)), j.n, false).err
		}
		return r
	case next:
		return l.answer(time.Now().Add(j.wait), 0, true)
	}
	// Whatever is already there cannot be the answer to a query not yet sent.
	if err := l.receive(0); err != nil {
		return result{err: err}
	}
	if err := l.stray(0); err != nil {
		return result{err: err}
	}
	l.fill = 0
	sent := time.Now()
	if err := l.write(j); err != nil {
		return result{err: err}
	}
	echo := 0
	if l.settings.Echo {
		echo = j.n
	}
	r = l.answer(sent.Add(j.wait), echo, true)
	r.sent = sent
	return r
}

// write sends the bytes of tx that belong to a job.
func (l *wire) write(j job) error {
	if err := l.port.write(l.tx[:j.n], j.limit); err != nil {
		return l.gone("write", err)
	}
	return nil
}

// receive takes what comes within wait; nothing is no error.
func (l *wire) receive(wait time.Duration) error {
	n, err := l.port.read(l.rx[l.fill:], wait)
	l.fill += n
	if err != nil {
		return l.gone("read", err)
	}
	return nil
}

// gone says that the port broke, unless the port itself knows that it is well and nothing more comes.
func (l *wire) gone(operation string, err error) error {
	if incomplete := (*Incomplete)(nil); errors.As(err, &incomplete) {
		return err
	}
	return fmt.Errorf("%s line %q: %w: %w", operation, l.settings.Address, err, drivers.ErrGone)
}

// answer waits for a whole line. When echo is not 0 the first echo bytes of tx must
// come back before it; after them, wanted says whether there is a line to wait for.
// What comes after the line stays in rx only as long as it takes to say so.
func (l *wire) answer(deadline time.Time, echo int, wanted bool) result {
	t, silence := l.terminator, l.settings.Silence
	scanned := 0
	last := time.Now() // when the newest byte came
	for {
		if echo > 0 && l.fill >= echo {
			if !bytes.Equal(l.rx[:echo], l.tx[:echo]) {
				err := &Stray{Got: l.shown(0)}
				l.fill = 0
				return result{err: err}
			}
			l.fill = copy(l.rx[:], l.rx[echo:l.fill])
			echo, scanned = 0, 0
			if !wanted {
				return result{} // what follows the echo may be the answer that is waited for next, and else is a stray then
			}
		}
		if silence > 0 && echo == 0 && l.fill > 0 && time.Since(last) >= silence {
			r := result{received: last, n: l.fill} // line ends included, because a raw byte may look like one
			l.fill = 0
			return r
		}
		if i := bytes.Index(l.rx[scanned:l.fill], t); silence == 0 && echo == 0 && i >= 0 {
			end := scanned + i
			r := result{received: time.Now(), n: len(bytes.TrimRight(l.rx[:end], "\r\n"))}
			if r.n > 0 { // an empty line is refused for what it is, whatever follows it
				r.err = l.stray(end + len(t))
			}
			if r.err != nil {
				r.n = 0
			}
			l.fill = 0
			return r
		}
		scanned = max(0, l.fill-len(t)+1)
		left := time.Until(deadline)
		if left <= 0 || l.fill == len(l.rx) {
			err := &Incomplete{Got: l.shown(0)}
			l.fill = 0
			return result{err: err}
		}
		if l.abandon.Load() {
			return result{err: errAbandoned}
		}
		wait, before := min(left, l.longest), l.fill
		if silence > 0 && before > 0 {
			wait = min(wait, max(silence-time.Since(last), time.Millisecond))
		}
		if err := l.receive(wait); err != nil {
			return result{err: err}
		}
		if l.fill > before {
			last = time.Now()
		}
	}
}

// stray looks at what rx holds from index from on. Line ends alone are harmless:
// some supplies end with both, in either order, or send an empty line after a command.
func (l *wire) stray(from int) error {
	if len(bytes.Trim(l.rx[from:l.fill], "\r\n\x00")) == 0 {
		return nil
	}
	err := &Stray{Got: l.shown(from)}
	l.fill = 0
	return err
}

// shown is the beginning of what rx holds from an index on, short enough for a message.
func (l *wire) shown(from int) string {
	return strings.Clone(string(l.rx[from:min(l.fill, from+80)]))
}

func (l *wire) drainInput(quiet time.Duration) (r result) {
	const kept = 256
	if m, ok := unrecorded(l.port).(interface{ empty() error }); ok { // a port of messages is not read until it is quiet
		if err := m.empty(); err != nil {
			r.err = l.gone("clear", err)
		}
		l.fill = 0
		return r
	}
	until := time.Now().Add(maxDrain)
	last := time.Now()
	for {
		left := min(quiet-time.Since(last), time.Until(until))
		if left <= 0 || l.abandon.Load() {
			break
		}
		before := l.fill
		if r.err = l.receive(min(left, l.longest)); r.err != nil {
			break
		}
		if l.fill > before {
			last = time.Now()
		}
		if l.fill > kept {
			l.fill = copy(l.rx[:], l.rx[l.fill-kept:l.fill])
		}
	}
	r.n, l.fill = l.fill, 0
	return r
}
