//go:build linux || darwin || freebsd

package simulated

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.bug.st/serial"
	"go.uber.org/goleak"

	"nightcell/drivers"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// serve puts an instrument on a pseudo-terminal for the length of a test.
func serve(t *testing.T, s Setup, link string) (*Instrument, *PTY) {
	t.Helper()
	if s.Clock.Speed() == 0 {
		s.Clock = drivers.NewClock(1)
	}
	i, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	p, err := Serve(t.Context(), i, link)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := p.Close(); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return i, p
}

// client is the far end, through the serial library that nightcell itself uses.
type client struct {
	serial.Port
	rest []byte
}

func dial(t *testing.T, path string) *client {
	t.Helper()
	port, err := serial.Open(path, &serial.Mode{BaudRate: 9600})
	if err != nil {
		t.Fatalf("open %s: %v", path, err)
	}
	c := &client{Port: port}
	t.Cleanup(func() { _ = c.Close() }) // some tests close it themselves
	return c
}

// line reads up to a line feed; an error says that the deadline passed or the port went.
func (c *client) line(wait time.Duration) (string, error) {
	deadline := time.Now().Add(wait)
	for {
		if n := strings.IndexByte(string(c.rest), '\n'); n >= 0 {
			s := string(c.rest[:n+1])
			c.rest = c.rest[n+1:]
			return s, nil
		}
		left := time.Until(deadline)
		if left <= 0 {
			return "", fmt.Errorf("no line within %v; have %q", wait, c.rest)
		}
		if err := c.SetReadTimeout(left); err != nil {
			return "", err
		}
		buffer := make([]byte, 256)
		n, err := c.Read(buffer)
		if err != nil {
			return "", err
		}
		c.rest = append(c.rest, buffer[:n]...)
	}
}

func (c *client) ask(t *testing.T, query string) string {
	t.Helper()
	if _, err := c.Write([]byte(query)); err != nil {
		t.Fatalf("write %q: %v", query, err)
	}
	answer, err := c.line(patienceOfTests)
	if err != nil {
		t.Fatalf("%q: %v", query, err)
	}
	return answer
}

// patienceOfTests bounds every wait for something that must happen.
const patienceOfTests = 2 * time.Minute

// eventually waits until a condition holds.
func eventually(t *testing.T, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	deadline := time.After(patienceOfTests)
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("%s: not within %v", what, patienceOfTests)
		}
	}
}

func TestSerialClient(t *testing.T) {
	_, p := serve(t, Setup{Channels: exact()}, "")
	for round := range 3 { // the port outlives its clients
		c := dial(t, p.Path())
		for query, want := range map[string]string{
			"*IDN?\n": Identity + "\n", "*OPC?\r\n": "1\n", "MEAS:CURR?\n": "3.0000\n", // nothing is echoed, no line end is translated
		} {
			if got := c.ask(t, query); got != want {
				t.Errorf("round %d: %q answered %q, want %q", round, query, got, want)
			}
		}
		// A message may come in pieces, and two may come at once.
		for _, piece := range []string{"*OP", "C?", "\n*OPC?;", "*OPC?\n"} {
			if _, err := c.Write([]byte(piece)); err != nil {
				t.Fatal(err)
			}
		}
		for _, want := range []string{"1\n", "1;1\n"} {
			if got, err := c.line(patienceOfTests); got != want || err != nil {
				t.Errorf("round %d: %q, %v, want %q", round, got, err, want)
			}
		}
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

func TestOverlongMessage(t *testing.T) {
	_, p := serve(t, Setup{Channels: exact()}, "")
	c := dial(t, p.Path())
	if _, err := c.Write([]byte("*CLS\n" + strings.Repeat("X", longestLine) + "\n")); err != nil {
		t.Fatal(err)
	}
	if got := c.ask(t, "SYST:ERR?\n"); got != "-363,\"Input buffer overrun\"\n" {
		t.Errorf("error %q", got)
	}
}

// A client that asks and never reads neither hangs the server nor spoils it for the next one.
func TestDeafClient(t *testing.T) {
	i, p := serve(t, Setup{Channels: exact()}, "")
	c := dial(t, p.Path())
	question := []byte(strings.Repeat("*IDN?;", 30) + "*IDN?\n")
	for range 80 { // 80 replies of 900 bytes do not fit into any terminal's buffer
		if _, err := c.Write(question); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := c.Write([]byte("CURR 1\n")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the last message arrives", func() bool {
		s, err := i.ObserveStatus(1, 0)
		return err == nil && s.SetAmperes == 1
	})
	if err := c.ResetInputBuffer(); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the line is clean", func() bool {
		c.rest = nil
		if _, err := c.Write([]byte("CURR?\n")); err != nil {
			t.Fatal(err)
		}
		answer, err := c.line(time.Second)
		return err == nil && answer == "1.0000\n"
	})
}

func TestUnplugAndReplug(t *testing.T) {
	t.Parallel() // most of it is waiting
	// 400 times as fast: the cable is out from 6 s to 11 s, long enough for a busy machine to see it out.
	s, err := ParseScenario("s.toml", []byte("[[event]]\nat = \"40 min\"\nlasts = \"2000 s\"\nkind = \"unplug\"\n"))
	if err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(t.TempDir(), "bench")
	i, p := serve(t, Setup{Channels: exact(), Scenario: s, Clock: drivers.NewClock(400)}, link)
	if p.Path() != link {
		t.Errorf("path %s, want %s", p.Path(), link)
	}
	c := dial(t, link)
	c.ask(t, "*IDN?\n")
	if _, err := c.line(patienceOfTests); err == nil || strings.HasPrefix(err.Error(), "no line") {
		t.Fatalf("the port did not hang up: %v", err)
	}
	eventually(t, "the name vanishes", func() bool { _, err := os.Lstat(link); return errors.Is(err, os.ErrNotExist) })
	eventually(t, "the name returns", func() bool { _, err := os.Stat(link); return err == nil })
	again := dial(t, link)
	if got := again.ask(t, "*IDN?\n"); got != Identity+"\n" {
		t.Errorf("afterwards %q", got)
	}
	if truth := i.Truth(1); truth.Charge < 3*4399 { // the current went on
		t.Errorf("%.1f C by %v", truth.Charge, truth.At)
	}
}

func TestLateReplyComesBeforeTheNextOne(t *testing.T) {
	s, err := ParseScenario("s.toml", []byte("[[event]]\nat = \"0 s\"\nkind = \"late-reply\"\ndelay = \"300 ms\"\nchance = 1.0\n"))
	if err != nil {
		t.Fatal(err)
	}
	_, p := serve(t, Setup{Channels: exact(), Scenario: s}, "")
	c := dial(t, p.Path())
	begin := time.Now()
	for _, q := range []string{"*OPC?\n", "*IDN?\n"} { // the second is asked before the first is answered
		if _, err := c.Write([]byte(q)); err != nil {
			t.Fatal(err)
		}
	}
	first, err := c.line(patienceOfTests)
	if took := time.Since(begin); err != nil || first != "1\n" || took < 300*time.Millisecond {
		t.Errorf("first %q after %v, %v", first, took, err)
	}
	second, err := c.line(patienceOfTests)
	if took := time.Since(begin); err != nil || second != Identity+"\n" || took < 600*time.Millisecond {
		t.Errorf("second %q after %v, %v", second, took, err)
	}
}

func TestServeCleansUp(t *testing.T) {
	i := virtual(t, Setup{Channels: exact()})
	ctx, cancel := context.WithCancel(t.Context())
	p, err := Serve(ctx, i, "")
	if err != nil {
		t.Fatal(err)
	}
	c := dial(t, p.Path()) // an open client must not keep the server from stopping
	c.ask(t, "*OPC?\n")
	cancel()
	if err := p.Wait(); err != nil {
		t.Error(err)
	}
	if err := p.Close(); err != nil {
		t.Errorf("second close: %v", err)
	}
	if _, err := os.Lstat(filepath.Dir(p.Path())); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("left behind: %s, %v", filepath.Dir(p.Path()), err)
	}

	file := filepath.Join(t.TempDir(), "precious")
	if err := os.WriteFile(file, []byte("data"), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := Serve(t.Context(), i, file); err == nil || !strings.Contains(err.Error(), "exists and is not a symbolic link") {
		t.Errorf("a file in the way: %v", err)
	}
	if _, err := Serve(t.Context(), i, filepath.Join(file, "x")); err == nil || !strings.Contains(err.Error(), "name the port") {
		t.Errorf("an impossible name: %v", err)
	}
	if data, err := os.ReadFile(file); err != nil || string(data) != "data" {
		t.Errorf("the file is now %q, %v", data, err)
	}
}

// python is a client of another make: Debian's python3-serial.
const python = `
import serial, sys
with serial.Serial(sys.argv[1], 9600, timeout=120) as port:
    for query in ("*IDN?", "MEAS:CURR?", "VOLT?;CURR?", "SYST:ERR?"):
        port.write(query.encode() + b"\n")
        print(port.readline().decode(), end="")
`

func TestPythonSerialClient(t *testing.T) {
	const interpreter = "/usr/bin/python3"
	if err := exec.Command(interpreter, "-c", "import serial").Run(); err != nil {
		if os.Getenv("NIGHTCELL_REQUIRE_REAL") == "1" {
			t.Fatalf("python3-serial is required and missing: %v", err)
		}
		t.Skip("python3-serial is not installed")
	}
	_, p := serve(t, Setup{Channels: exact()}, "")
	out, err := exec.CommandContext(t.Context(), interpreter, "-c", python, p.Path()).CombinedOutput()
	if want := Identity + "\n3.0000\n6.0000;3.0000\n0,\"No error\"\n"; err != nil || string(out) != want {
		t.Errorf("%v\n%s\nwant\n%s", err, out, want)
	}
}
