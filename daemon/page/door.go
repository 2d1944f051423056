package page

import (
	"context"
	"crypto/tls"
	"net"
	"net/http"
	"slices"
	"sync"
)

// Door is a listener that holds a bounded number of connections. When it is full,
// the connection that has waited longest without asking for anything complete makes
// room for the new one: a thousand clients that open and dawdle can neither lock a
// person out nor use up the descriptors that the serial lines need.
type Door struct {
	net.Listener
	most int

	mu   sync.Mutex
	idle []*doorConn // on which nothing is being served, longest first
	open int
}

// NewDoor wraps l.
func NewDoor(l net.Listener, most int) *Door { return &Door{Listener: l, most: most} }

// doorConn takes itself off the books when it closes.
type doorConn struct {
	net.Conn
	door *Door
	once sync.Once
	// Guarded by door.mu.
	closed  bool
	serving int // requests; HTTP/2 has several at a time
}

// Accept waits for the next connection.
func (d *Door) Accept() (net.Conn, error) {
	for {
		c, err := d.Listener.Accept()
		if err != nil {
			return nil, err
		}
		conn := &doorConn{Conn: c, door: d}
		if d.admit(conn) {
			return conn, nil
		}
		_ = c.Close() // all places are taken by clients that are being served
	}
}

func (d *Door) admit(c *doorConn) bool {
	d.mu.Lock()
	var out *doorConn
	if d.open >= d.most {
		if len(d.idle) == 0 {
			d.mu.Unlock()
			return false
		}
		out = d.idle[0]
	}
	d.open++
	d.idle = append(d.idle, c)
	d.mu.Unlock()
	if out != nil {
		_ = out.Close() // which takes it off the books; that it was lost is its own doing
	}
	return true
}

// Close closes the connection once.
func (c *doorConn) Close() error {
	c.once.Do(func() {
		c.door.mu.Lock()
		defer c.door.mu.Unlock()
		c.closed = true
		c.door.open--
		c.door.forget(c)
	})
	return c.Conn.Close()
}

func (d *Door) forget(c *doorConn) {
	d.idle = slices.DeleteFunc(d.idle, func(other *doorConn) bool { return other == c })
}

// Open returns how many connections are open.
func (d *Door) Open() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.open
}

// connKey is where a connection's context keeps the connection.
type connKey struct{}

// ConnContext is for http.Server: it lets Handler know on which connection a request came.
func (d *Door) ConnContext(ctx context.Context, c net.Conn) context.Context {
	if t, ok := c.(*tls.Conn); ok {
		c = t.NetConn()
	}
	return context.WithValue(ctx, connKey{}, c)
}

// Handler keeps connections from being cut while a page or a stream is served on
// them. One that sends a body gets no such favour: sending slowly is how to dawdle.
func (d *Door) Handler(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		c, ok := r.Context().Value(connKey{}).(*doorConn)
		if ok && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
			d.busy(c)
			defer d.rest(c)
		}
		next.ServeHTTP(w, r)
	})
}

func (d *Door) busy(c *doorConn) {
	d.mu.Lock()
	defer d.mu.Unlock()
	c.serving++
	d.forget(c)
}

// rest makes a connection that is still open the youngest of the idle ones.
func (d *Door) rest(c *doorConn) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if c.serving--; c.serving == 0 && !c.closed {
		d.idle = append(d.idle, c)
	}
}
