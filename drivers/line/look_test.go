package line

import (
	"errors"
	"io"
	"net"
	"testing"
	"time"
)

// TestALookDoesNotWait: what has come is there at once, after a wait that ended with nothing too; nothing is no error; the end is one.
func TestALookDoesNotWait(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = l.Close() }()
	near, err := net.Dial("tcp", l.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	far, err := l.Accept()
	if err != nil {
		t.Fatal(err)
	}
	s := newSocket(near, nil)
	b := make([]byte, 8)
	for range 2 {
		if n, err := s.read(b, 0); n != 0 || err != nil {
			t.Fatal(n, err)
		}
		if n, err := s.read(b, time.Millisecond); n != 0 || err != nil { // its deadline is past afterwards
			t.Fatal(n, err)
		}
	}
	if _, err := far.Write([]byte("3.0\n")); err != nil {
		t.Fatal(err)
	}
	n := 0
	for deadline := time.Now().Add(10 * time.Second); n == 0 && time.Now().Before(deadline); {
		if n, err = s.read(b, 0); err != nil {
			t.Fatal(err)
		}
	}
	if string(b[:n]) != "3.0\n" {
		t.Errorf("%q", b[:n])
	}
	if err := far.Close(); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(10 * time.Second); err == nil && time.Now().Before(deadline); {
		_, err = s.read(b, 0)
	}
	if !errors.Is(err, io.EOF) {
		t.Errorf("the end: %v", err)
	}
	if err := near.Close(); err != nil {
		t.Error(err)
	}
}
