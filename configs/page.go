package configs

import (
	"fmt"
	"net"
	"strconv"
	"time"
)

// Page is where the web page and the metrics are served.
type Page struct {
	Listen    string // host:port; empty: not served
	WebConfig string // path of a web configuration file with TLS and authentication; empty: none
	Token     Secret // of the operator, for acting from the page
	// Hosts are names under which the page may be asked for besides the address of Listen.
	Hosts []string
}

func readPage(t *table) Page {
	p := Page{Listen: t.text("listen", defaultListen), Token: t.secret("token"), Hosts: t.texts("hosts")}
	p.WebConfig = t.file(t.text("web_config", ""))
	t.done()
	if p.Listen == "" {
		return p
	}
	host, port, err := net.SplitHostPort(p.Listen)
	if n, badPort := strconv.Atoi(port); err != nil || badPort != nil || n < 0 || n > 65535 {
		t.bad("listen", fmt.Sprintf("'%s' is no address to listen on", p.Listen), fmt.Sprintf("write host and port as in listen = %q, or \"\" for no page", defaultListen))
		return p
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) && p.WebConfig == "" {
		t.bad("listen", fmt.Sprintf("'%s' can be reached from other machines, and no web_config guards it", p.Listen),
			fmt.Sprintf("write web_config = \"path\" of a file with TLS and users, or listen = %q", defaultListen))
	}
	return p
}

// Preflight is what must be proved before a run may be left alone.
type Preflight struct {
	// RouteProof is how long ago a route may have last proved delivery.
	RouteProof time.Duration
}

func readPreflight(t *table) Preflight {
	p := Preflight{RouteProof: t.duration("route_proof", defaultProof, time.Hour)}
	t.done()
	return p
}
