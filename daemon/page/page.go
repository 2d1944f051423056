// Package page is nightcell's own web page: for each cell the sentence that answers the sleepy
// question, its figures, curves, alarms and entries, live, on a phone or in print.
// Reading needs nothing but the network's leave; acting needs a signed-in operator, a
// confirm step and proof that the request came from the page itself. Everything is
// embedded; nothing is fetched from elsewhere.
package page

import (
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"embed"
	"fmt"
	"html/template"
	"log/slog"
	"net/http"
	"path"
	"strings"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/history"
	"nightcell/daemon/page/sentence"
	"nightcell/daemon/report"
	"nightcell/daemon/snapshot"
)

//go:embed templates/*.html
var templates embed.FS

//go:embed static
var static embed.FS

// Settings is what a Page is made from.
type Settings struct {
	// Cells returns the newest snapshot of every cell, in the order to show them.
	Cells    func() []*snapshot.Cell
	Operator *control.Operator
	History  *history.History
	// Ledger returns what the ledgers say of the bath and the electrodes of a cell; nil: nothing.
	Ledger func(cell string) []report.Figure
	Data   string // the directory that holds the runs
	// Token is what an operator signs in with; the zero Secret: nobody can, and the page only shows.
	Token routes.Secret
	// Links reads the links to alarms that notices carry; nil: there are none. ByLink says whether those of a route
	// acknowledge without a sign-in, and Picture draws the hours of a cell around a moment as a PNG; nil: neither.
	Links   *Links
	ByLink  func(route string) bool
	Picture func(ctx context.Context, cell string, since time.Time) ([]byte, error)
	// Now is the time on the clock that stamps readings.
	Now  func() time.Time
	Zone *time.Location // of the clock times shown
	Log  *slog.Logger
}

// shortestToken is the least length of the operator's token.
const shortestToken = 16

// Page serves the page. It is safe for concurrent use.
type Page struct {
	s        Settings
	html     *template.Template
	files    map[string]file
	live     *live
	sessions *sessions
	reads    *rate.Limiter // of histories, which cost something
	logins   *visitors
	taps     *visitors     // on the button of a link
	books    chan struct{} // full while an account is worked out: that reads a whole log

	mu     sync.Mutex
	newest []*snapshot.Cell // taken at
	taken  time.Time
}

// New prepares the page; nothing is running yet.
func New(s Settings) (*Page, error) {
	if token := s.Token.Reveal(); token != "" && len(token) < shortestToken {
		return nil, fmt.Errorf("the operator token has only %d characters; use at least %d, for example from: openssl rand -hex 16", len(token), shortestToken)
	}
	html := template.Must(template.New("").Funcs(template.FuncMap{"live": liveText, "name": sentence.Name}).ParseFS(templates, "templates/*.html"))
	p := &Page{
		s: s, html: html, files: loadFiles(), sessions: &sessions{all: make(map[string]*session)},
		reads: rate.NewLimiter(rate.Every(20*time.Millisecond), 100), logins: newVisitors(rate.Every(2*time.Second), 5), taps: newVisitors(rate.Every(time.Second), 30),
		books: make(chan struct{}, 1),
	}
	p.live = &live{make: p.frame, places: make(chan struct{}, mostStreams), states: make(map[string]state)}
	return p, nil
}

// Handler returns the page's routes. Wrap it in Guard.
func (p *Page) Handler() http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", p.night)
	mux.HandleFunc("GET /cell/{cell}", p.page(p.cell))
	mux.HandleFunc("GET /cell/{cell}/history", p.history)
	mux.HandleFunc("GET /cell/{cell}/entries", p.page(p.entries))
	mux.HandleFunc("GET /cell/{cell}/account", p.page(p.account))
	mux.HandleFunc("GET /cell/{cell}/account/account.html", p.page(p.accountFile))
	mux.HandleFunc("GET /cell/{cell}/photos/{photo}", p.page(p.photo))
	mux.HandleFunc("GET /cell/{cell}/{act}", p.page(p.askAct))
	mux.HandleFunc("POST /cell/{cell}/{act}", p.page(p.doAct))
	mux.HandleFunc("GET /alarm/{token}", p.page(p.showLinked))
	mux.HandleFunc("POST /alarm/{token}", p.page(p.acknowledgeLinked))
	mux.HandleFunc("GET /alarm/{token}/hours.png", p.pictureLinked)
	mux.HandleFunc("GET /events", p.page(p.events))
	mux.HandleFunc("GET /static/{file}", p.page(p.file))
	mux.HandleFunc("GET /login", func(w http.ResponseWriter, r *http.Request) {
		p.showLogin(w, r, http.StatusOK, localNext(r.URL.Query().Get("next")), "", "")
	})
	mux.HandleFunc("POST /login", p.page(p.doLogin))
	mux.HandleFunc("POST /logout", p.page(p.doLogout))
	mux.HandleFunc("/", p.page(func(http.ResponseWriter, *http.Request) error {
		return refusal(http.StatusNotFound, "there is no such page")
	}))
	return mux
}

// fresh is for how long snapshots are shared between pages.
const fresh = 100 * time.Millisecond

// cells returns the newest snapshots, taken once for all pages that ask within a moment.
// Nobody may change them.
func (p *Page) cells() []*snapshot.Cell {
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := time.Now(); p.newest == nil || now.Sub(p.taken) >= fresh {
		p.newest, p.taken = p.s.Cells(), now
	}
	return p.newest
}

// forget makes the next page see what an act has changed.
func (p *Page) forget() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.newest = nil
}

// snapshotOf returns the newest snapshot of one cell, nil if there is none of that name.
func (p *Page) snapshotOf(name string) *snapshot.Cell {
	for _, c := range p.cells() {
		if c.Name == name {
			return c
		}
	}
	return nil
}

// file is one embedded file. Only those in the table can be asked for; there is no directory to list.
type file struct {
	data, packed []byte // packed by gzip
	kind, tag    string
}

var kinds = map[string]string{
	".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".svg": "image/svg+xml", ".png": "image/png", ".webmanifest": "application/manifest+json", ".LICENSE": "text/plain; charset=utf-8",
}

// loadFiles reads what is embedded, which cannot fail.
func loadFiles() map[string]file {
	all := make(map[string]file)
	entries, _ := static.ReadDir("static")
	for _, e := range entries {
		data, _ := static.ReadFile("static/" + e.Name())
		all[e.Name()] = file{data, pack(data), kinds[path.Ext(e.Name())], fmt.Sprintf("%.8x", sha256.Sum256(data))}
	}
	return all
}

func (p *Page) file(w http.ResponseWriter, r *http.Request) error {
	f, ok := p.files[r.PathValue("file")]
	if !ok {
		return refusal(http.StatusNotFound, "there is no such file")
	}
	w.Header().Set("Content-Type", f.kind)
	w.Header().Set("Cache-Control", "no-cache") // kept, and asked after: a new version shows at once
	w.Header().Set("Vary", "Accept-Encoding")
	data, form := f.data, ""
	if strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.Header().Set("Content-Encoding", "gzip")
		data, form = f.packed, "-gzip"
	}
	w.Header().Set("ETag", `"`+f.tag+form+`"`)
	http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(data))
	return nil
}

// pack compresses a file once, when the daemon starts. A buffer takes everything.
func pack(data []byte) []byte {
	var b bytes.Buffer
	z, _ := gzip.NewWriterLevel(&b, gzip.BestCompression)
	_, _ = z.Write(data)
	_ = z.Close()
	return b.Bytes()
}
