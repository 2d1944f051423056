package page

import (
	"context"
	"crypto/tls"
	"fmt"
	"net"
	"net/http"
	"net/netip"
	"net/url"
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

// door knows the connections of a server.
type door struct {
	most int

	mu    sync.Mutex
	turns int // at which a connection came or went on
	open  map[net.Conn]visit
}

// visit is how many requests are being served on a connection (HTTP/2 has several at a time), and at which turn that changed.
type visit struct{ serving, since int }

// connKey is where a connection's context keeps the connection.
type connKey struct{}

// Bound bounds the connections of a server that is not serving yet. When all places are taken,
// the connection that has waited longest without asking for anything complete makes
// room for the new one: a thousand clients that open and dawdle can neither lock a
// person out nor use up the descriptors that the serial lines need.
func Bound(s *http.Server, most int) {
	d := &door{most: most, open: make(map[net.Conn]visit)}
	s.Handler, s.ConnState = d.handler(s.Handler), d.state
	s.ConnContext = func(ctx context.Context, c net.Conn) context.Context {
		return context.WithValue(ctx, connKey{}, bare(c))
	}
}

// bare is a connection without TLS, whose closing would wait for the client.
func bare(c net.Conn) net.Conn {
	if t, ok := c.(*tls.Conn); ok {
		return t.NetConn()
	}
	return c
}

// state keeps the books of the connections.
func (d *door) state(c net.Conn, state http.ConnState) {
	c = bare(c)
	d.mu.Lock()
	defer d.mu.Unlock()
	switch state {
	case http.StateNew:
		d.turns++
		d.open[c] = visit{0, d.turns}
		if len(d.open) <= d.most {
			return
		}
		out := c // where something is being served on all others
		for other, v := range d.open {
			if v.serving == 0 && v.since < d.open[out].since {
				out = other
			}
		}
		delete(d.open, out)
		_ = out.Close() // that it was lost is its own doing
	case http.StateClosed:
		delete(d.open, c)
	}
}

// serve counts a request that begins or ends on a connection that is still open.
func (d *door) serve(c net.Conn, more int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if v, open := d.open[c]; open {
		d.turns++
		d.open[c] = visit{v.serving + more, d.turns}
	}
}

// handler keeps connections from being cut while a page or a stream is served on
// them. One that sends a body gets no such favour: sending slowly is how to dawdle.
func (d *door) handler(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c, ok := r.Context().Value(connKey{}).(net.Conn); ok && (r.Method == http.MethodGet || r.Method == http.MethodHead) {
			d.serve(c, 1)
			defer d.serve(c, -1)
		}
		next.ServeHTTP(w, r)
	})
}
