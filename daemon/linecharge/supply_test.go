package linecharge

import (
	"bytes"
	"fmt"
	"io"
	"math"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"nightcell/drivers"
)

const (
	identity = "EXAMPLE,PS-30-5,0001,1.0"
	stranger = "EXAMPLE,PS-60-2,0777,2.3"
)

// current is the current that truly flows, in A, at the clock's time at.
type current interface {
	amperes(at time.Duration) float64
	charge(from, to time.Duration) float64 // its integral, in closed form
}

// drift is a current that changes evenly, as that of a cell between two events does.
type drift struct{ first, perSecond float64 }

func (d drift) amperes(at time.Duration) float64 { return d.first + d.perSecond*at.Seconds() }

func (d drift) charge(from, to time.Duration) float64 {
	return (to - from).Seconds() * (d.amperes(from) + d.amperes(to)) / 2
}

// interrupted is another current, save for one time during which the output is off.
type interrupted struct {
	current
	off, on time.Duration
}

func (i interrupted) amperes(at time.Duration) float64 {
	if at >= i.off && at < i.on {
		return 0
	}
	return i.current.amperes(at)
}

func (i interrupted) charge(from, to time.Duration) float64 {
	lost := 0.0
	if a, b := max(from, i.off), min(to, i.on); a < b {
		lost = i.current.charge(a, b)
	}
	return i.current.charge(from, to) - lost
}

// supply is a scripted supply behind a bad line. It answers in order, one message after the other.
type supply struct {
	clock drivers.Clock
	flows current
	line  *mangler

	listener net.Listener
	done     sync.WaitGroup
	mu       sync.Mutex
	open     net.Conn
	swapped  int  // connections, the present one included, on which another instrument answers
	closed   bool // no more connections
}

// newSupply listens on a socket of its own until the returned stop.
func newSupply(t testing.TB, clock drivers.Clock, flows current, m *mangler) (s *supply, stop func()) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s = &supply{clock: clock, flows: flows, line: m, listener: l}
	s.done.Go(s.accept)
	return s, func() {
		s.mu.Lock()
		s.closed = true
		if s.open != nil {
			_ = s.open.Close() // only to end its reader
		}
		s.mu.Unlock()
		_ = l.Close() // likewise
		s.done.Wait()
	}
}

func (s *supply) address() string { return "tcp://" + s.listener.Addr().String() }

// accept serves one connection after the other until the listener is closed.
func (s *supply) accept() {
	for {
		c, err := s.listener.Accept()
		if err != nil {
			return
		}
		s.mu.Lock()
		if s.closed {
			s.mu.Unlock()
			_ = c.Close() // nobody is there any more
			return
		}
		s.open = c
		s.mu.Unlock()
		s.serve(c)
		s.mu.Lock()
		s.swapped = max(0, s.swapped-1)
		s.mu.Unlock()
	}
}

// serve answers on one connection until it breaks.
func (s *supply) serve(c net.Conn) {
	said := make(chan piece, 1024)
	var speaker sync.WaitGroup
	speaker.Go(func() { speak(c, said) })
	defer func() {
		close(said)
		_ = c.Close() // broken already, or to be
		speaker.Wait()
	}()
	var heard []byte
	for buf := make([]byte, 512); ; {
		n, err := c.Read(buf)
		if err != nil {
			return
		}
		heard = append(heard, buf[:n]...)
		for {
			message, rest, ok := bytes.Cut(heard, []byte("\n"))
			if !ok {
				break
			}
			heard = rest
			for _, p := range s.respond(string(bytes.TrimRight(message, "\r"))) {
				if p.hangUp {
					return
				}
				said <- p
			}
		}
	}
}

// speak writes what is said, each piece after its delay, until said is closed.
func speak(w io.Writer, said <-chan piece) {
	for p := range said {
		if p.after > 0 {
			<-time.After(p.after)
		}
		if _, err := io.WriteString(w, p.bytes); err != nil {
			for range said { // nobody listens any more
			}
			return
		}
	}
}

// respond answers one message and mangles the answer.
func (s *supply) respond(message string) []piece {
	s.mu.Lock()
	other := s.swapped > 0
	s.mu.Unlock()
	now := s.clock.Now()
	var parts []string
	for unit := range strings.SplitSeq(message, ";") {
		if a := s.answer(strings.TrimPrefix(strings.TrimSpace(unit), ":"), now, other); a != "" {
			parts = append(parts, a)
		}
	}
	if len(parts) == 0 {
		return nil
	}
	pieces, swap := s.line.mangle(message, strings.Join(parts, ";")+"\n")
	if swap > 0 {
		s.mu.Lock()
		s.swapped = 1 + swap
		s.mu.Unlock()
	}
	return pieces
}

// answer is what an honest supply says.
func (s *supply) answer(query string, now time.Duration, other bool) string {
	amperes := s.flows.amperes(now)
	volts := 3.1 + 0.03*amperes + 0.002*math.Sin(now.Seconds())
	if other {
		amperes, volts = 1.234, 12.5
	}
	switch query {
	case "*IDN?":
		if other {
			return stranger
		}
		return identity
	case "MEAS:VOLT?":
		return fmt.Sprintf("%.4f", volts)
	case "MEAS:CURR?":
		return fmt.Sprintf("%.4f", amperes)
	case "OUTP?":
		if amperes == 0 {
			return "0"
		}
		return "1"
	case "STAT:QUES:COND?":
		return "1"
	case "VOLT:PROT:TRIP?", "CURR:PROT:TRIP?":
		return "0"
	case "VOLT?":
		return "6.000"
	case "CURR?":
		return fmt.Sprintf("%.3f", set)
	case "VOLT:PROT?":
		return "7.00"
	case "CURR:PROT?":
		return "4.00"
	case "SYST:ERR?":
		return `0,"No error"`
	}
	return ""
}
