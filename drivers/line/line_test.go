//go:build unix

package line

import (
	"bufio"
	"context"
	"errors"
	"io"
	"net"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/creack/pty"

	"nightcell/drivers"
)

// openPTY returns the far end of a pseudo-terminal and the path of the near one.
func openPTY(t *testing.T) (far *os.File, path string) {
	t.Helper()
	far, near, err := pty.Open()
	if err != nil {
		t.Fatal(err)
	}
	if err := near.Close(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { far.Close() })
	return far, near.Name()
}

// answering serves far, once the line is open, for before that reading it fails: each line it reads is given to reply, and the result is written back.
func answering(t *testing.T, far io.ReadWriter, reply func(string) string) {
	t.Helper()
	go func() { // ends when far is closed, by the test's clean-up
		for in := bufio.NewReader(far); ; {
			q, err := in.ReadString('\n')
			if err != nil {
				return
			}
			if a := reply(q[:len(q)-1]); a != "" {
				if _, err := io.WriteString(far, a); err != nil {
					return
				}
			}
		}
	}()
}

func mustOpen(t *testing.T, s Settings) *Line {
	t.Helper()
	l, err := Open(t.Context(), s)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return l
}

// soon is long enough for an answer on a busy machine; who waits in vain waits all of it.
const soon = 2 * time.Second

func TestExchange(t *testing.T) {
	t.Parallel()
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path, Baud: 115200})
	answers := map[string]string{
		"plain?": "3.214\n", "crlf?": "3.214\r\n", "blank?": "\n",
		"half?": "3.21", "late?": "1.0\nextra\n", "reversed?": "2.5\n\r",
	}
	answering(t, far, func(q string) string { return answers[q] })
	for _, c := range []struct {
		query, want string
		incomplete  string // what came of an answer without its end
		stray       string
	}{
		{query: "plain?", want: "3.214"},
		{query: "crlf?", want: "3.214"},
		{query: "blank?", want: ""},
		{query: "reversed?", want: "2.5"},
		{query: "plain?", want: "3.214"}, // the carriage return left over is harmless
		{query: "half?", incomplete: "3.21"},
		{query: "silence?", incomplete: ""},
		{query: "late?", stray: "extra\n"},
		{query: "plain?", want: "3.214"},
	} {
		got, sent, received, err := l.Exchange(t.Context(), []byte(c.query), nil, soon)
		var inc *Incomplete
		var stray *Stray
		switch {
		case errors.As(err, &inc):
			if c.want != "" || c.stray != "" || inc.Got != c.incomplete {
				t.Errorf("%s: %v, want %+v", c.query, err, c)
			}
		case errors.As(err, &stray):
			if c.stray == "" || stray.Got != c.stray {
				t.Errorf("%s: %v, want %+v", c.query, err, c)
			}
		case err != nil:
			t.Fatalf("%s: %v", c.query, err)
		case string(got) != c.want || !received.After(sent):
			t.Errorf("%s: got %q from %v to %v, want %q", c.query, got, sent, received, c.want)
		}
	}
}

func TestUnplug(t *testing.T) {
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	go far.Close()
	begin := time.Now()
	_, _, _, err := l.Exchange(t.Context(), []byte("x?"), nil, 10*time.Minute)
	if !errors.Is(err, drivers.ErrGone) {
		t.Fatalf("error after unplugging: %v, want one that wraps ErrGone", err)
	}
	if d := time.Since(begin); d > time.Minute {
		t.Errorf("noticed after %v; a hang-up is told at once", d)
	}
	if err := l.Send(context.Background(), []byte("x")); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("a dead line took a message: %v", err)
	}
}

// A line that returns everything it is sent has the echo taken out, and misses it when it is wrong.
func TestEcho(t *testing.T) {
	t.Parallel()
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path, Echo: true})
	answering(t, far, func(q string) string {
		switch q {
		case "command":
			return q + "\n"
		case "garbled?":
			return "garb!ed?\n3.214\n"
		case "nothing?":
			return ""
		}
		return q + "\n3.214\n"
	})
	for range 2 {
		got, _, _, err := l.Exchange(t.Context(), []byte("volts?"), nil, soon)
		if err != nil || string(got) != "3.214" {
			t.Errorf("answer %q, %v", got, err)
		}
		if err := l.Send(t.Context(), []byte("command")); err != nil {
			t.Errorf("command: %v", err)
		}
	}
	var stray *Stray
	if _, _, _, err := l.Exchange(t.Context(), []byte("garbled?"), nil, soon); !errors.As(err, &stray) {
		t.Errorf("garbled echo: %v", err)
	}
	var inc *Incomplete
	if _, _, _, err := l.Exchange(t.Context(), []byte("nothing?"), nil, soon); !errors.As(err, &inc) {
		t.Errorf("no echo: %v", err)
	}
}

func TestDrain(t *testing.T) {
	t.Parallel()
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	if got := l.Drain(time.Millisecond); len(got) != 0 {
		t.Errorf("a quiet line drained %q", got)
	}
	if _, err := io.WriteString(far, "old\nolder"); err != nil {
		t.Fatal(err)
	}
	if got := l.Drain(soon); string(got) != "old\nolder" {
		t.Errorf("drained %q", got)
	}
	stop := make(chan struct{})
	babbling := make(chan struct{})
	go func() { // ends by stop
		defer close(babbling)
		for tick := time.NewTicker(2 * time.Millisecond); ; <-tick.C {
			select {
			case <-stop:
				tick.Stop()
				return
			default:
				if _, err := io.WriteString(far, "noise"); err != nil {
					return
				}
			}
		}
	}()
	if got := l.Drain(maxDrain / 2); len(got) != 256 { // it returns at all because it gives up after maxDrain
		t.Errorf("a babbling line drained %d bytes, want the last 256", len(got))
	}
	close(stop)
	<-babbling
}

func TestTCP(t *testing.T) {
	t.Parallel()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	l := mustOpen(t, Settings{Address: "tcp://" + ln.Addr().String(), LockDir: t.TempDir(), ReplyTerminator: "\r\n"})
	far, err := ln.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	answering(t, far, func(q string) string {
		if q == "bye?" {
			far.Close()
			return ""
		}
		return "3.2\n14\r\n" // the line feed alone does not end it
	})
	got, _, _, err := l.Exchange(t.Context(), []byte("volts?"), nil, soon)
	if err != nil || string(got) != "3.2\n14" {
		t.Errorf("answer %q, %v", got, err)
	}
	if _, _, _, err := l.Exchange(t.Context(), []byte("bye?"), nil, soon); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("after the far end hung up: %v", err)
	}
}

func TestTooLong(t *testing.T) {
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	if err := l.Send(t.Context(), make([]byte, maxQuery)); err == nil || errors.Is(err, drivers.ErrGone) {
		t.Errorf("a message beyond the buffer: %v", err)
	}
	answering(t, far, func(string) string { return strings.Repeat("x", maxAnswer) + "\n" })
	var inc *Incomplete
	if _, _, _, err := l.Exchange(t.Context(), []byte("x?"), nil, time.Minute); !errors.As(err, &inc) {
		t.Errorf("an answer beyond the buffer: %v", err)
	}
}

// Characters per second at the common rates, by the arithmetic of start, data, parity and stop bits: common practice, no source.
func TestDuration(t *testing.T) {
	for _, c := range []struct {
		s    Settings
		n    int
		want time.Duration
	}{
		{Settings{}, 960, time.Second},
		{Settings{Baud: 115200}, 11520, time.Second},
		{Settings{Baud: 1200, DataBits: 7, Parity: "even"}, 120, time.Second},
		{Settings{Baud: 1100, StopBits: "2"}, 100, time.Second},
		{Settings{Address: "tcp://x:1"}, 1000, 0},
	} {
		if got := c.s.withDefaults().Duration(c.n); got != c.want {
			t.Errorf("%+v: %d characters take %v, want %v", c.s, c.n, got, c.want)
		}
	}
}

// An exchange on an open line costs no memory.
func TestExchangeAllocations(t *testing.T) {
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	go func() { // ends when far is closed
		b, a := make([]byte, 64), []byte("3.2140;3.0010\n")
		for {
			n, err := far.Read(b)
			if err != nil {
				return
			}
			if b[n-1] == '\n' {
				if _, err := far.Write(a); err != nil {
					return
				}
			}
		}
	}()
	query, buf := []byte("volts?"), make([]byte, 0, 64)
	if n := testing.AllocsPerRun(100, func() {
		if _, _, _, err := l.Exchange(t.Context(), query, buf, time.Minute); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations in an exchange", n)
	}
}

// A way to a unit that was closed is closed for good, and leaves the others alone until the last.
func TestBeside(t *testing.T) {
	near, far := net.Pipe()
	defer far.Close()
	s := Settings{Modbus: "rtu", Unit: 1}
	one := New(near, s)
	s.Address, s.Unit = "tcp://pipe", 2
	two, err := one.Beside(s)
	if err != nil || two == nil || !one.Shared() {
		t.Fatal(two, err)
	}
	for range 2 {
		if err := two.Close(); err != nil || one.Shared() {
			t.Errorf("close: %v", err)
		}
	}
	_, _, _, asked := two.Exchange(t.Context(), []byte("holding 0"), nil, time.Millisecond)
	_, next := two.Next(t.Context(), nil, time.Millisecond)
	for _, err := range []error{asked, next, two.Send(t.Context(), []byte("coil 1 = 0"))} {
		if !errors.Is(err, ErrClosed) {
			t.Errorf("a closed way: %v", err)
		}
	}
	if _, err := one.Next(t.Context(), nil, time.Millisecond); errors.Is(err, drivers.ErrGone) {
		t.Errorf("the other way: %v", err)
	}
	if err := one.Close(); err != nil {
		t.Error(err)
	}
	if again, err := one.Beside(s); again != nil || err != nil {
		t.Errorf("beside a closed line: %v, %v", again, err)
	}
}
