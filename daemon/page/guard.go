package page

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"slices"
	"strings"
	"sync"

	"golang.org/x/time/rate"
)

// policy lets the page use what it brought along and nothing else: no inline script
// or style, nothing from elsewhere, in nobody's frame.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; " +
	"manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"

// mostBody is the largest body that is read, and mostQuery the longest query.
const (
	mostBody  = 16 << 10
	mostQuery = 1 << 10
)

// Guard stands before everything that is served: it sets the security headers, bounds
// requests, and answers only under names that are this machine's. A page on some
// other site whose name was made to point here (DNS rebinding) is refused by its Host.
//
// listen is the address listened on, hosts are further names that are allowed; numeric
// addresses and, on loopback, localhost always are, since no foreign name is in them.
func Guard(next http.Handler, listen string, hosts []string) http.Handler {
	allowed := map[string]bool{"localhost": true}
	if host, _, err := net.SplitHostPort(listen); err == nil && host != "" {
		allowed[plainHost(host)] = true
	}
	for _, h := range hosts {
		allowed[plainHost(h)] = true
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", policy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		host := plainHost(r.Host)
		if _, err := netip.ParseAddr(host); err != nil && !allowed[host] {
			http.Error(w, "this name is not known here; ask for the page by address, or add the name to hosts under [page] in the configuration", http.StatusMisdirectedRequest)
			return
		}
		if len(r.URL.RawQuery) > mostQuery {
			http.Error(w, "the query is too long", http.StatusRequestURITooLong)
			return
		}
		most := int64(mostBody)
		if strings.HasSuffix(r.URL.Path, "/photo") { // whose form is read only for whoever is signed in
			most = mostPhoto
		}
		if r.ContentLength > most {
			http.Error(w, fmt.Sprintf("too large: at most %.3g MB are taken here", float64(most)/1e6), http.StatusRequestEntityTooLarge)
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, most)
		next.ServeHTTP(w, r)
	})
}

// plainHost is a host without port and brackets, in lower case.
func plainHost(hostport string) string {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

// sameOrigin says whether a request proves that it came from a page of this site.
// Browsers state the origin of every POST, and pages cannot forge it; what states nothing is refused.
func sameOrigin(r *http.Request) bool {
	site, origin := r.Header.Get("Sec-Fetch-Site"), r.Header.Get("Origin")
	if site == "" && origin == "" || site != "" && site != "same-origin" {
		return false
	}
	u, err := url.Parse(origin)
	return origin == "" || err == nil && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
}

// visitors limits how often each address may try something.
type visitors struct {
	every rate.Limit
	burst int
	mu    sync.Mutex
	known map[string]*rate.Limiter
	all   *rate.Limiter // over all addresses: whoever has many of them gets no more tries
}

// manyAddresses is how many addresses may use up their tries at the same time.
const manyAddresses = 4

// mostVisitors are remembered; beyond that all are forgotten.
const mostVisitors = 1024

func newVisitors(every rate.Limit, burst int) *visitors {
	return &visitors{every: every, burst: burst, known: make(map[string]*rate.Limiter), all: rate.NewLimiter(manyAddresses*every, manyAddresses*burst)}
}

func (v *visitors) allow(r *http.Request) bool {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		host = r.RemoteAddr
	}
	v.mu.Lock()
	defer v.mu.Unlock()
	l := v.known[host]
	if l == nil {
		if len(v.known) >= mostVisitors {
			clear(v.known)
		}
		l = rate.NewLimiter(v.every, v.burst)
		v.known[host] = l
	}
	return l.Allow() && v.all.Allow()
}

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
