package line

import (
	"bufio"
	"context"
	"errors"
	"io"
	"os"
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

// answering serves far: each line it reads is given to reply, and the result is written back.
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

const soon = 200 * time.Millisecond

func TestExchange(t *testing.T) {
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
	_, _, _, err := l.Exchange(t.Context(), []byte("x?"), nil, 10*time.Second)
	if !errors.Is(err, drivers.ErrGone) {
		t.Fatalf("error after unplugging: %v, want one that wraps ErrGone", err)
	}
	if d := time.Since(begin); d > 5*time.Second {
		t.Errorf("noticed after %v; a hang-up is told at once", d)
	}
	if err := l.Send(context.Background(), []byte("x")); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("a dead line took a message: %v", err)
	}
}
