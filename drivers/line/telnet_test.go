//go:build unix

package line

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"nightcell/drivers"
)

// What the client must send, byte by byte, for 19200 baud, 7 data bits, even parity, two stop bits, no flow control, DTR off and RTS on:
// RFC 2217, sections 3.3 to 3.9 of the numbers of the option and its commands, inside the framing of RFC 854 and 855.
var (
	offered   = []byte{255, 251, 0, 255, 253, 0, 255, 253, 3, 255, 251, 44}
	requested = []byte{
		255, 250, 44, 1, 0, 0, 0x4B, 0, 255, 240, // SET-BAUDRATE 19200
		255, 250, 44, 2, 7, 255, 240, // SET-DATASIZE 7
		255, 250, 44, 3, 3, 255, 240, // SET-PARITY EVEN
		255, 250, 44, 4, 2, 255, 240, // SET-STOPSIZE 2
		255, 250, 44, 5, 1, 255, 240, // SET-CONTROL no flow control
		255, 250, 44, 5, 9, 255, 240, // SET-CONTROL DTR off
		255, 250, 44, 5, 11, 255, 240, // SET-CONTROL RTS on
	}
	acknowledged = []byte{
		255, 250, 44, 101, 0, 0, 0x4B, 0, 255, 240, 255, 250, 44, 102, 7, 255, 240,
		255, 250, 44, 103, 3, 255, 240, 255, 250, 44, 104, 2, 255, 240,
	}
	agrees  = []byte{255, 253, 44}
	refuses = []byte{255, 254, 44}
)

// serialServer serves one client, and returns where it listens.
func serialServer(t *testing.T, serve func(c net.Conn) error) string {
	t.Helper()
	ln, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { // ends with the client, or the listener
		c, err := ln.Accept()
		if err == nil {
			err = errors.Join(serve(c), c.Close())
		}
		done <- err
	}()
	t.Cleanup(func() {
		ln.Close()
		if err := <-done; err != nil && !errors.Is(err, net.ErrClosed) {
			t.Errorf("the server: %v", err)
		}
	})
	return telnetScheme + ln.Addr().String()
}

// await reads exactly what must come, and answers.
func await(c net.Conn, want, answer []byte) error {
	got := make([]byte, len(want))
	if _, err := io.ReadFull(c, got); err != nil {
		return err
	}
	if !bytes.Equal(got, want) {
		return fmt.Errorf("came % x, awaited % x", got, want)
	}
	_, err := c.Write(answer)
	return err
}

func settingsAt(t *testing.T, address string) Settings {
	return Settings{Address: address, LockDir: t.TempDir(), Baud: 19200, DataBits: 7, Parity: "even", StopBits: "2", DTR: "off", RTS: "on"}
}

func TestNetworkSerialServer(t *testing.T) {
	address := serialServer(t, func(c net.Conn) error {
		// Other options come in between, as from a server for people: will echo, do naws, and a notice of the modem lines.
		between := slices.Concat([]byte{255, 251, 1, 255, 253, 31}, agrees, []byte{255, 250, 44, 107, 0x30, 255, 240})
		return errors.Join(
			await(c, offered, between),
			await(c, []byte{255, 254, 1, 255, 252, 31}, nil), // don't, won't
			await(c, requested, acknowledged),
			await(c, []byte("volts?\n"), []byte{'3', '.', 255, 241, '2', 255, 250, 44, 107, 255, 255, 255, 240, '\r', '\n'}),
			await(c, []byte{'r', 255, 255, 'w', '\n'}, []byte{255, 255, '\n'}))
	})
	l := mustOpen(t, settingsAt(t, address))
	for _, c := range []struct{ query, want string }{{"volts?", "3.2"}, {"r\xffw", "\xff"}} {
		if got, _, _, err := l.Exchange(t.Context(), []byte(c.query), nil, soon); err != nil || string(got) != c.want {
			t.Errorf("%q: %q, %v", c.query, got, err)
		}
	}
	if _, err := l.Next(t.Context(), nil, soon); !errors.Is(err, drivers.ErrGone) {
		t.Errorf("after the server hung up: %v", err)
	}
	if got := (Settings{Address: address, Baud: 9600}).withDefaults().Duration(960); got != time.Second {
		t.Errorf("960 characters at a server's port of 9600 baud take %v", got)
	}
}

// Every framing reaches the server by the number that RFC 2217 gives it (sections of SET-DATASIZE, SET-PARITY, SET-STOPSIZE), and opens on a pseudo-terminal where the system knows it.
func TestFramings(t *testing.T) {
	far, path := openPTY(t)
	near, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0) // keeps the far end readable between two lines
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	answering(t, far, func(string) string { return "here\n" })
	for _, c := range []struct {
		bits   byte
		parity string
		p      byte
		stop   string
		n      byte
	}{
		{5, "none", 1, "2", 2}, {6, "odd", 2, "1", 1}, {7, "even", 3, "1", 1}, {8, "mark", 4, "2", 2}, {8, "space", 5, "1", 1}, {5, "none", 1, "1.5", 3},
	} {
		s := Settings{LockDir: t.TempDir(), Baud: 300, DataBits: int(c.bits), Parity: c.parity, StopBits: c.stop}
		baud, framing := []byte{255, 250, 44, 1, 0, 0, 1, 44, 255, 240}, []byte{255, 250, 44, 2, c.bits, 255, 240, 255, 250, 44, 3, c.p, 255, 240, 255, 250, 44, 4, c.n, 255, 240}
		s.Address = serialServer(t, func(conn net.Conn) error {
			answer := slices.Concat(baud, framing)
			for _, code := range []int{3, 13, 20, 27} {
				answer[code] += 100
			}
			err := errors.Join(await(conn, offered, agrees), await(conn, slices.Concat(baud, framing, []byte{255, 250, 44, 5, 1, 255, 240}), answer))
			_, _ = io.Copy(io.Discard, conn) // until the client has gone
			return err
		})
		mustOpen(t, s)
		s.Address = path
		l, err := Open(t.Context(), s)
		if c.stop == "1.5" { // which no POSIX system knows
			if err == nil || !strings.Contains(err.Error(), "cannot do 300 baud") {
				t.Errorf("%+v: %v", s, err)
			}
			continue
		}
		if err != nil {
			t.Fatalf("%+v: %v", s, err)
		}
		if got, _, _, err := l.Exchange(t.Context(), []byte("who?"), nil, soon); err != nil || string(got) != "here" {
			t.Errorf("%+v: %q, %v", s, got, err)
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	}
}

// A pseudo-terminal has no modem lines: settings that name none leave it alone, others are refused with the way out.
func TestModemLines(t *testing.T) {
	_, path := openPTY(t)
	for key, s := range map[string]Settings{"dtr": {DTR: "off"}, "rts": {RTS: "on"}} {
		s.Address = path
		if l, err := Open(t.Context(), s); err == nil {
			l.Close()
			t.Errorf("%+v was opened", s)
		} else if want := "remove " + key + " from"; !strings.Contains(err.Error(), want) {
			t.Errorf("%v; want %q", err, want)
		}
	}
	mustOpen(t, Settings{Address: path}) // nothing of the refused ones is left on it
}

func TestNetworkSerialServerRefuses(t *testing.T) {
	otherBaud := bytes.Replace(acknowledged, []byte{0x4B, 0}, []byte{0x25, 0x80}, 1)
	for name, c := range map[string]struct {
		serve func(c net.Conn) error
		want  string
	}{
		"no such option": {func(c net.Conn) error { return await(c, offered, refuses) }, "write tcp://"},
		"no telnet":      {func(c net.Conn) error { return await(c, offered, []byte("EXAMPLE\n")) }, "write tcp://"},
		"hangs up":       {func(net.Conn) error { return nil }, "write tcp://"},
		"another rate": {func(c net.Conn) error {
			return errors.Join(await(c, offered, agrees), await(c, requested, otherBaud))
		}, "does not acknowledge baud = 19200; choose"},
		"nothing acknowledged": {func(c net.Conn) error {
			return errors.Join(await(c, offered, agrees), await(c, requested, nil))
		}, `baud = 19200, data_bits = 7, parity = "even", stop_bits = "2"; choose`},
	} {
		t.Run(name, func(t *testing.T) {
			s := settingsAt(t, serialServer(t, func(conn net.Conn) error {
				err := c.serve(conn)
				if name != "hangs up" {
					_, _ = io.Copy(io.Discard, conn) // until the client has gone
				}
				return err
			}))
			s.ConnectLimit = 300 * time.Millisecond
			l, err := Open(t.Context(), s)
			if err == nil {
				l.Close()
				t.Fatal("it was opened")
			}
			if !strings.Contains(err.Error(), c.want) || !strings.Contains(err.Error(), s.Address) {
				t.Errorf("%v; want %q", err, c.want)
			}
		})
	}
}

// A server that never answers is given up with the caller's patience.
func TestNetworkSerialServerSilent(t *testing.T) {
	s := settingsAt(t, serialServer(t, func(c net.Conn) error {
		_, err := io.Copy(io.Discard, c)
		return err
	}))
	s.ConnectLimit = time.Hour
	ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
	defer cancel()
	if l, err := Open(ctx, s); err == nil {
		l.Close()
		t.Error("it was opened")
	}
}

// FuzzTelnet: whatever comes, in whatever pieces, is the same data; nothing that the server says makes the client answer without end;
// and what is sent comes back as it was.
func FuzzTelnet(f *testing.F) {
	f.Add([]byte("3.2\n"), 2)
	f.Add(slices.Concat(agrees, acknowledged, []byte{255, 255, 'x'}), 7)
	f.Add([]byte{255, 250, 44, 101, 255}, 1)
	f.Add(bytes.Repeat([]byte{255, 251, 1}, 300), 5)
	f.Fuzz(func(t *testing.T, in []byte, piece int) {
		var whole, pieces protocol
		want := whole.take(nil, in)
		var got []byte
		for part := range slices.Chunk(in, max(1, min(piece, 1<<20))) {
			got = pieces.take(got, part)
		}
		if !bytes.Equal(got, want) || len(got) > len(in) {
			t.Errorf("in pieces %q, whole %q", got, want)
		}
		if whole.force != pieces.force || whole.agreed != pieces.agreed || whole.refused != pieces.refused {
			t.Error("in pieces it means something else")
		}
		if len(whole.reply) > longestSub+2 || len(whole.sub) > longestSub {
			t.Errorf("%d bytes to answer, %d kept", len(whole.reply), len(whole.sub))
		}
		if back := new(protocol).take(nil, doubled(in)); !bytes.Equal(back, in) {
			t.Errorf("%q came back as %q", in, back)
		}
		in = in[:min(len(in), 4)]
		if p := new(protocol); len(in) == 4 && (len(p.take(nil, asked(fromServer+setBaud, in))) > 0 || p.force[setBaud] != uint32(in[0])<<24|uint32(in[1])<<16|uint32(in[2])<<8|uint32(in[3])) {
			t.Errorf("% x acknowledged was heard as %d", in, p.force[setBaud])
		}
	})
}
