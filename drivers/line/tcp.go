package line

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"nightcell/drivers/lock"
)

// socket is a connection with deadlines of its own, so that nothing here can get stuck.
type socket struct {
	conn net.Conn
	lock *lock.Lock // nil when the connection came from elsewhere

	input syscall.RawConn // of conn; nil where it cannot be looked at without waiting
	look  func(fd uintptr) bool
	into  []byte // of the look that goes on, and what it found
	n     int
	err   error
}

func newSocket(conn net.Conn, l *lock.Lock) *socket {
	t := &socket{conn: conn, lock: l}
	if raw, ok := conn.(syscall.Conn); ok && canLook {
		t.input, _ = raw.SyscallConn() // of a closed one there is none, and nothing is read from it either
	}
	t.look = func(fd uintptr) bool {
		t.n, t.err = readNow(fd, t.into)
		return true
	}
	return t
}

func openTCP(ctx context.Context, s Settings) (port, error) {
	p, err := dial(ctx, s, tcpScheme)
	if err != nil {
		return nil, err
	}
	return p, nil
}

// dial connects to what stands behind the scheme of an address, and locks it.
func dial(ctx context.Context, s Settings, scheme string) (*socket, error) {
	host := strings.TrimPrefix(s.Address, scheme)
	if _, _, err := net.SplitHostPort(host); err != nil {
		return nil, fmt.Errorf("%w; write %shost:port, such as %s192.0.2.7:5025", err, scheme, scheme)
	}
	lock, err := lockFile(s.LockDir, s.DataDir, host)
	if err != nil {
		return nil, err
	}
	d := net.Dialer{Timeout: s.ConnectLimit}
	conn, err := d.DialContext(ctx, "tcp", host)
	if err != nil {
		_ = lock.Release() // the connect error is the one that tells
		return nil, fmt.Errorf("%w; check that the supply is on, its network socket enabled and the port number right", err)
	}
	return newSocket(conn, lock), nil
}

// lockFile takes the lock that stands for an instrument reached by network.
func lockFile(dir, fallback, host string) (*lock.Lock, error) {
	if dir == "" {
		var err error
		if dir, err = lock.Folder(fallback); errors.Is(err, lock.ErrNowhere) {
			return nil, nil // a watch makes its data directory first, so none runs here
		} else if err != nil {
			return nil, err
		}
	}
	name := strings.NewReplacer("/", "-", ":", "-", string(os.PathSeparator), "-").Replace(host)
	path := filepath.Join(dir, "nightcell-"+name+".lock")
	l, err := lock.Take(path)
	var held *lock.HeldError
	switch {
	case errors.As(err, &held):
		return nil, heldError(path)
	case err != nil:
		return nil, fmt.Errorf("%w; the folder must exist and be writable", err)
	}
	return l, nil
}

func (t *socket) read(p []byte, wait time.Duration) (int, error) {
	if wait <= 0 && t.input != nil {
		return t.readNow(p)
	}
	// A deadline already past would not even look at what has come.
	if err := t.conn.SetReadDeadline(time.Now().Add(max(wait, time.Millisecond))); err != nil {
		return 0, err
	}
	n, err := t.conn.Read(p)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		err = nil
	}
	return n, err
}

// readNow takes what has come without waiting: a deadline, however short, would put the owner to sleep and wake it up at each exchange.
func (t *socket) readNow(p []byte) (int, error) {
	if err := t.conn.SetReadDeadline(time.Time{}); err != nil { // one that is past ends a look before it begins
		return 0, err
	}
	t.into = p
	if err := t.input.Read(t.look); err != nil {
		return 0, err
	}
	return t.n, t.err
}

func (t *socket) write(p []byte, wait time.Duration) error {
	if err := t.conn.SetWriteDeadline(time.Now().Add(wait)); err != nil {
		return err
	}
	_, err := t.conn.Write(p)
	return err
}

func (t *socket) others() string { return "" }
func (t *socket) unstick()       {}

func (t *socket) close() error {
	return errors.Join(t.conn.Close(), t.lock.Release())
}
