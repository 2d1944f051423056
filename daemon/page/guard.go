package page

import (
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
		if !allowed[plainHost(r.Host)] && !numeric(r.Host) {
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
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	return strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
}

func numeric(hostport string) bool {
	_, err := netip.ParseAddr(plainHost(hostport))
	return err == nil
}

// sameOrigin says whether a request proves that it came from a page of this site.
// Browsers state the origin of every POST, and pages cannot forge it; what states nothing is refused.
func sameOrigin(r *http.Request) bool {
	site, origin := r.Header.Get("Sec-Fetch-Site"), r.Header.Get("Origin")
	if site == "" && origin == "" {
		return false
	}
	if site != "" && site != "same-origin" {
		return false
	}
	if origin == "" {
		return true
	}
	u, err := url.Parse(origin)
	return err == nil && (u.Scheme == "http" || u.Scheme == "https") && strings.EqualFold(u.Host, r.Host)
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
