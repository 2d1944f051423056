//go:build unix

package scpi

import (
	"bytes"
	"io"
	"net"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

// wire joins a peer to a supply over a net.Pipe, with a buffer on the way back as a
// real line has one. In a synctest bubble all its delays cost no time.
type wire struct {
	near net.Conn
	far  net.Conn
	peer *peer

	mu    sync.Mutex
	queue []piece // not yet written
	more  chan struct{}
	done  sync.WaitGroup
}

func newWire(p *peer) *wire {
	w := &wire{peer: p, more: make(chan struct{}, 1)}
	w.near, w.far = net.Pipe()
	w.done.Add(2)
	go w.listen()
	go w.speak()
	return w
}

// listen hears messages until the line is closed.
func (w *wire) listen() {
	defer w.done.Done()
	var heard []byte
	b := make([]byte, 256)
	for {
		n, err := w.far.Read(b)
		if err != nil {
			close(w.more)
			return
		}
		heard = append(heard, b[:n]...)
		for {
			i := bytes.IndexByte(heard, '\n')
			if i < 0 {
				break
			}
			msg := string(bytes.TrimRight(heard[:i], "\r"))
			heard = heard[i+1:]
			answer, mangle := w.peer.handle(msg)
			if answer != "" {
				answer += "\n"
			}
			out := []piece{{bytes: answer}}
			if mangle != nil {
				out = mangle(msg, answer)
			}
			w.mu.Lock()
			w.queue = append(w.queue, out...)
			w.mu.Unlock()
			select {
			case w.more <- struct{}{}:
			default:
			}
		}
	}
}

// speak writes what is queued, each piece after its delay.
func (w *wire) speak() {
	defer w.done.Done()
	for range w.more {
		for {
			w.mu.Lock()
			if len(w.queue) == 0 {
				w.mu.Unlock()
				break
			}
			next := w.queue[0]
			w.queue = w.queue[1:]
			w.mu.Unlock()
			<-time.After(2*time.Millisecond + next.after) // the supply thinks
			if next.bytes == "" {
				continue
			}
			if _, err := io.WriteString(w.far, next.bytes); err != nil {
				return
			}
		}
	}
}

// supplyOn makes a supply of the wire's near end.
func supplyOn(t *testing.T, w *wire, s Settings) (*Supply, error) {
	t.Helper()
	s.RangeVolts, s.RangeAmperes = 32, 5
	s.Line.Address = "tcp://pipe:0"
	s = s.withDefaults()
	l := line.New(w.near, s.Line)
	in, err := meet(t.Context(), l, s)
	if err != nil {
		l.Close()
		w.end()
		return nil, err
	}
	return newSupply(s, &shared{in: in, users: 1, settings: s}, drivers.NewClock(1)), nil
}

// inBubble runs f with a supply on a wire, in virtual time.
func inBubble(t *testing.T, p *peer, s Settings, f func(t *testing.T, c *Supply)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := newWire(p)
		c, err := supplyOn(t, w, s)
		if err != nil {
			t.Fatal(err)
		}
		f(t, c)
		if err := c.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
		w.end()
	})
}

// end waits until the wire's goroutines are gone.
func (w *wire) end() {
	w.near.Close()
	w.far.Close()
	w.done.Wait()
}
