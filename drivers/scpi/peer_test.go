//go:build unix

package scpi

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/creack/pty"
	"golang.org/x/sys/unix"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

const peerIdentity = "EXAMPLE,PS-30-5,0001,1.0"

// peer is a scripted supply at the far end of a line. It answers what its table
// has, keeps an error queue, and lets a test mangle what it sends.
type peer struct {
	mu      sync.Mutex
	answers map[string]string // by query; a missing one is an unknown header
	silent  map[string]bool   // unknown headers that go unreported
	queue   []string
	asked   []string // everything that came, oldest first
	// mangle turns an answer, its terminator included, into what goes onto the
	// wire, each piece after its delay. nil sends it whole at once.
	mangle func(query, answer string) []piece
	each   func() // called before each message, with the peer locked
	stop   chan struct{}
	done   sync.WaitGroup
}

type piece struct {
	after time.Duration
	bytes string
}

func newPeer() *peer {
	return &peer{
		answers: map[string]string{
			"*IDN?": peerIdentity, "MEAS:VOLT?": "3.2140", "MEAS:CURR?": "3.0010",
			"OUTP?": "1", "VOLT?": "6.000", "CURR?": "3.000", "VOLT:PROT?": "7.00", "CURR:PROT?": "3.30",
			"VOLT:PROT:TRIP?": "0", "CURR:PROT:TRIP?": "0", "STAT:QUES:COND?": "1",
		},
		silent: map[string]bool{}, stop: make(chan struct{}),
	}
}

func (p *peer) set(query, answer string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.answers[query] = answer
}

func (p *peer) unknown(queries ...string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for _, q := range queries {
		delete(p.answers, q)
	}
}

func (p *peer) mangling(f func(query, answer string) []piece) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.mangle = f
}

// heard returns what came since the last call.
func (p *peer) heard() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := p.asked
	p.asked = nil
	return h
}

func count(list []string, what string) (n int) {
	for _, s := range list {
		if s == what {
			n++
		}
	}
	return n
}

// handle answers one message; no answer is an empty string.
func (p *peer) handle(msg string) (answer string, mangle func(string, string) []piece) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.asked = append(p.asked, msg)
	if p.each != nil {
		p.each()
	}
	var parts []string
	for _, unit := range strings.Split(msg, ";") {
		unit = strings.TrimPrefix(strings.TrimSpace(unit), ":")
		switch a, ok := p.answers[unit]; {
		case unit == "":
		case unit == "SYST:ERR?" && !p.silent[unit]:
			e := `0,"No error"`
			if len(p.queue) > 0 {
				e, p.queue = p.queue[0], p.queue[1:]
			}
			parts = append(parts, e)
		case ok && a != "":
			parts = append(parts, a)
		case ok: // known and without an answer
		case !p.silent[unit]:
			p.queue = append(p.queue, `-113,"Undefined header"`)
		}
	}
	return strings.Join(parts, ";"), p.mangle
}

// serve answers on rw until it breaks.
func (p *peer) serve(rw io.ReadWriteCloser) {
	p.done.Add(1)
	go func() { // ends when the test closes rw
		defer p.done.Done()
		for in := bufio.NewReader(rw); ; {
			msg, err := in.ReadString('\n')
			if err != nil {
				return
			}
			msg = strings.TrimRight(msg, "\r\n")
			answer, mangle := p.handle(msg)
			if answer == "" && mangle == nil {
				continue
			}
			out := []piece{{bytes: answer + "\n"}}
			if answer == "" {
				out = nil
			}
			if mangle != nil {
				out = mangle(msg, answer+"\n")
			}
			for _, o := range out {
				if o.after > 0 {
					t := time.NewTimer(o.after)
					select {
					case <-t.C:
					case <-p.stop:
						t.Stop()
						return
					}
				}
				if _, err := io.WriteString(rw, o.bytes); err != nil {
					return
				}
			}
		}
	}()
}

// onPTY puts the peer behind a pseudo-terminal and returns its path.
func (p *peer) onPTY(t testing.TB) (path string) {
	t.Helper()
	far, near := openPTY(t)
	path = near.Name()
	makeRaw(t, path)
	p.serve(far)
	t.Cleanup(func() { close(p.stop); far.Close(); p.done.Wait(); near.Close() })
	return path
}

// makeRaw opens a pseudo-terminal and closes it again, which leaves it raw as a
// serial driver would be; else it would echo.
func makeRaw(t testing.TB, path string) {
	t.Helper()
	l, err := line.Open(t.Context(), line.Settings{Address: path})
	if err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
}

// openPTY opens a pseudo-terminal whose far end can be closed while it is being read.
func openPTY(t testing.TB) (far, near *os.File) {
	t.Helper()
	blocking, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	defer blocking.Close()
	fd, err := unix.Dup(int(blocking.Fd()))
	if err != nil {
		t.Fatal(err)
	}
	if err := unix.SetNonblock(fd, true); err != nil {
		t.Fatal(err)
	}
	return os.NewFile(uintptr(fd), "far end"), near
}

// onTCP puts the peer behind a socket and returns its address.
func (p *peer) onTCP(t testing.TB) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	p.done.Add(1)
	go func() { // ends when the listener closes
		defer p.done.Done()
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			p.serve(c)
			p.done.Add(1)
			go func() { // ends with the test
				defer p.done.Done()
				<-p.stop
				c.Close()
			}()
		}
	}()
	t.Cleanup(func() { close(p.stop); ln.Close(); p.done.Wait() })
	return "tcp://" + ln.Addr().String()
}

// quick is the standard dialect with a short silence to wait for, and a long time
// for answers: what needs a time-out is tested in virtual time.
func quick() Dialect {
	d := Standard()
	d.Timeout = Wait(10 * time.Second)
	d.Quiet = Wait(5 * time.Millisecond)
	return d
}

// settings are those of the tests: no question for mode and state unless asked for, and a known range.
func settings(t testing.TB, address string, d Dialect) Settings {
	return Settings{
		Line: line.Settings{Address: address, Baud: 4_000_000, LockDir: t.TempDir()}, Dialect: d,
		RangeVolts: 32, RangeAmperes: 5,
	}
}

func mustOpen(t testing.TB, s Settings) *Supply {
	t.Helper()
	c, err := new(Rack).Open(t.Context(), s, drivers.NewClock(1))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := c.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return c
}

func wantReading(t testing.TB, r drivers.Reading, volts drivers.Volts, amperes drivers.Amperes) {
	t.Helper()
	if r.Volts != volts || r.Amperes != amperes {
		t.Errorf("read %v V, %v A; want %v V, %v A", r.Volts, r.Amperes, volts, amperes)
	}
}

func (p *peer) String() string { return fmt.Sprint(p.heard()) }
