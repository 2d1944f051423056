//go:build unix

package line

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
)

// stubborn is a port whose calls block until they are freed, or for ever.
type stubborn struct {
	freed  chan struct{}
	once   sync.Once
	deaf   bool // unstick does not help
	writes chan struct{}
}

func newStubborn(deaf bool) *stubborn {
	return &stubborn{freed: make(chan struct{}), writes: make(chan struct{}, 1), deaf: deaf}
}

func (s *stubborn) write([]byte, time.Duration) error {
	s.writes <- struct{}{}
	<-s.freed
	return nil
}

func (s *stubborn) read([]byte, time.Duration) (int, error) { return 0, nil }
func (s *stubborn) close() error                            { <-s.freed; return nil }
func (s *stubborn) others() string                          { return "" }
func (s *stubborn) free()                                   { s.once.Do(func() { close(s.freed) }) }
func (s *stubborn) unstick() {
	if !s.deaf {
		s.free()
	}
}

// A write that the system will not end kills the line, not its caller; what was
// freed by force is not taken for sent.
func TestStuckWrite(t *testing.T) {
	t.Parallel()
	for name, deaf := range map[string]bool{"freed by force": false, "not freed": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newStubborn(deaf)
			limit := time.Minute // a port that lets go is closed long before
			if deaf {
				limit = 100 * time.Millisecond
			}
			l := newLine(Settings{CloseLimit: limit, Baud: 115200}.withDefaults(), p)
			for range 2 { // the second finds the line dead
				if err := l.Send(t.Context(), []byte("OUTP OFF")); !errors.Is(err, drivers.ErrGone) {
					t.Errorf("send: %v, want an error that wraps ErrGone", err)
				}
			}
			err := l.Close()
			if deaf && (err == nil || !strings.Contains(err.Error(), "has not let go")) || !deaf && err != nil {
				t.Errorf("close: %v", err)
			}
			p.free()
			<-l.ended // the owner goes once the system lets it
			if err := l.Close(); err != nil {
				t.Errorf("close once the system has let go: %v", err)
			}
		})
	}
}

// crowded is a mute port of a system with so many processes that finding the other reader lasts.
type crowded struct{}

func (crowded) write([]byte, time.Duration) error { return nil }
func (crowded) read(_ []byte, wait time.Duration) (int, error) {
	<-time.After(wait)
	return 0, nil
}
func (crowded) close() error { return nil }
func (crowded) unstick()     {}
func (crowded) others() string {
	<-time.After(time.Minute)
	return "another reader"
}

// Who else has the port may be long in the finding; the line is as good afterwards.
func TestSlowSearchIsNotStuck(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := newLine(Settings{}.withDefaults(), crowded{})
		for range 2 { // the line lives
			_, _, _, err := l.Exchange(t.Context(), []byte("*IDN?"), nil, time.Second)
			incomplete, shared := (*Incomplete)(nil), (*drivers.Shared)(nil)
			if !errors.As(err, &incomplete) || !errors.As(err, &shared) || errors.Is(err, drivers.ErrGone) {
				t.Errorf("%v, want a missing answer and the other reader", err)
			}
		}
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
}

// Nobody reads the far end of a pseudo-terminal: it takes some thousand bytes and no more.
func TestFullPTY(t *testing.T) {
	t.Parallel()
	_, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path, Baud: 4_000_000})
	msg := bytes.Repeat([]byte{'x'}, 999)
	begin := time.Now()
	for range 1000 {
		if err := l.Send(t.Context(), msg); err != nil {
			if !errors.Is(err, drivers.ErrGone) {
				t.Errorf("error %v, want one that wraps ErrGone", err)
			}
			if d := time.Since(begin); d > time.Minute {
				t.Errorf("given up after %v", d)
			}
			return
		}
	}
	t.Error("a pseudo-terminal took a million bytes that nobody read")
}

// After Close the descriptor's number belongs to the next file that is opened, and
// a write must not land in it.
func TestNoWriteAfterClose(t *testing.T) {
	_, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	var files []*os.File
	for i := range 16 { // some of them get the numbers that became free
		f, err := os.Create(filepath.Join(dir, string(rune('a'+i))))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		files = append(files, f)
	}
	if err := l.Send(context.Background(), []byte("OUTP OFF")); !errors.Is(err, ErrClosed) {
		t.Errorf("send: %v, want ErrClosed", err)
	}
	if _, _, _, err := l.Exchange(context.Background(), []byte("OUTP?"), nil, soon); !errors.Is(err, ErrClosed) {
		t.Errorf("exchange: %v, want ErrClosed", err)
	}
	if got := l.Drain(time.Millisecond); len(got) != 0 {
		t.Errorf("drain: %q", got)
	}
	for _, f := range files {
		if fi, err := f.Stat(); err != nil || fi.Size() != 0 {
			t.Errorf("%s has %d bytes, %v", f.Name(), fi.Size(), err)
		}
	}
}

// Close ends an exchange that waits, and the exchange says so.
func TestCloseWhileWaiting(t *testing.T) {
	t.Parallel()
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	asked := make(chan struct{})
	answering(t, far, func(string) string { close(asked); return "" })
	failed := make(chan error, 1)
	go func() {
		_, _, _, err := l.Exchange(context.Background(), []byte("slow?"), nil, time.Minute)
		failed <- err
	}()
	<-asked
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-failed; !errors.Is(err, drivers.ErrGone) {
		t.Errorf("exchange: %v, want an error that wraps ErrGone", err)
	}
}

func TestCancel(t *testing.T) {
	t.Parallel()
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	ctx, cancel := context.WithCancel(t.Context())
	answering(t, far, func(q string) string {
		if q == "slow?" {
			cancel()
			return ""
		}
		return "here\n"
	})
	if _, _, _, err := l.Exchange(ctx, []byte("slow?"), nil, time.Minute); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled exchange: %v", err)
	}
	got, _, _, err := l.Exchange(t.Context(), []byte("next?"), nil, time.Minute)
	if err != nil || string(got) != "here" {
		t.Errorf("after it: %q, %v", got, err)
	}
}

// What the kernel queues for sending is let out before the port is closed, for it
// may be the command that switches the output off.
func TestCloseLetsLastBytesOut(t *testing.T) {
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	near, err := os.OpenFile(path, os.O_RDWR|syscall.O_NOCTTY, 0) // a pseudo-terminal that nobody has open forgets its bytes
	if err != nil {
		t.Fatal(err)
	}
	defer near.Close()
	if err := l.Send(t.Context(), []byte("OUTP OFF")); err != nil {
		t.Fatal(err)
	}
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 64)
	n, err := far.Read(b)
	if err != nil || string(b[:n]) != "OUTP OFF\n" {
		t.Errorf("far end got %q, %v", b[:n], err)
	}
}

// The cause of a hang-up reaches the caller beside ErrGone.
func TestGoneKeepsCause(t *testing.T) {
	far, path := openPTY(t)
	l := mustOpen(t, Settings{Address: path})
	far.Close()
	_, err := l.Next(t.Context(), nil, time.Minute)
	if !errors.Is(err, drivers.ErrGone) || !errors.Is(err, syscall.EIO) && !errors.Is(err, errHungUp) {
		t.Errorf("error %v", err)
	}
}
