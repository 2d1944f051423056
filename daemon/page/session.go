package page

import (
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"
	"unicode"

	"golang.org/x/time/rate"

	"nightcell/drivers"
)

const (
	cookieName   = "nightcell"
	sessionLasts = 14 * time.Hour // a night and a morning
	mostSessions = 64
	formLasts    = 15 * time.Minute
	mostForms    = 64
)

// sessions are the operators who are signed in, in memory: a restart signs everybody out.
type sessions struct {
	mu  sync.Mutex
	all map[string]*session
}

// session is one operator at one browser.
type session struct {
	who  string
	ends time.Time
	acts *rate.Limiter

	flash atomic.Value // a string that is shown once, after an act
	// kept are url.Values: what was written before the sign-in was over, for the confirm step at next, once.
	kept atomic.Value
	next string

	mu    sync.Mutex
	forms map[string]form
}

// form is what a form token is good for, once.
type form struct {
	act, cell, subject, run string
	ends                    time.Time
}

// makeRoom drops what has ended, and what ends next if there are still most of them.
func makeRoom[V any](all map[string]V, most int, now time.Time, ends func(V) time.Time) {
	oldest := ""
	for id, v := range all {
		if now.After(ends(v)) {
			delete(all, id)
		} else if oldest == "" || ends(v).Before(ends(all[oldest])) {
			oldest = id
		}
	}
	if len(all) >= most {
		delete(all, oldest)
	}
}

// open signs an operator in, who goes on to a page with what was kept for it, and returns the cookie's value.
func (s *sessions) open(who, next, kept string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	makeRoom(s.all, mostSessions, now, func(other *session) time.Time { return other.ends })
	id := rand.Text()
	written, _ := url.ParseQuery(kept) // what cannot be read was not of our form
	s.all[id] = &session{who: who, ends: now.Add(sessionLasts), acts: rate.NewLimiter(rate.Every(time.Second/2), 15), forms: make(map[string]form), next: next}
	s.all[id].kept.Store(written)
	return id
}

// of returns the session of a request, nil without one.
func (s *sessions) of(r *http.Request) *session {
	c, err := r.Cookie(cookieName)
	if err != nil {
		return nil
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	found := s.all[c.Value]
	if found == nil || time.Now().After(found.ends) {
		return nil
	}
	return found
}

func (s *sessions) close(r *http.Request) {
	if c, err := r.Cookie(cookieName); err == nil {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.all, c.Value)
	}
}

// issue makes a form token that is good for one act on one cell, once.
func (s *session) issue(act, cell, subject, run string) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	makeRoom(s.forms, mostForms, now, func(f form) time.Time { return f.ends })
	token := rand.Text()
	s.forms[token] = form{act, cell, subject, run, now.Add(formLasts)}
	return token
}

// redeem uses a form token up and says whether it was good for this.
func (s *session) redeem(token, act, cell, subject, run string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	f, ok := s.forms[token]
	delete(s.forms, token)
	return ok && time.Now().Before(f.ends) && f == form{act, cell, subject, run, f.ends}
}

// takeKept returns what was kept for a page, once; nil if nothing was.
func (s *session) takeKept(page string) url.Values {
	if page != s.next {
		return nil
	}
	return s.kept.Swap(url.Values(nil)).(url.Values)
}

type loginView struct {
	frameOf
	Next, Problem string
	Kept          string // what was written before the sign-in was over, as a query
}

// localNext is where to go after signing in: a page of this site or the beginning.
func localNext(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/cell/") || strings.ContainsFunc(next, unicode.IsControl) || strings.Contains(next, `\`) {
		return "/"
	}
	return next
}

func (p *Page) showLogin(w http.ResponseWriter, r *http.Request, status int, next, kept, problem string) {
	p.render(w, status, "login.html", loginView{p.frameFor(r, "Sign in", ""), next, problem, kept})
}

// doLogin checks the operator's token. Only requests from this site's own form count
// as tries, so that a foreign page cannot use up somebody's tries.
func (p *Page) doLogin(w http.ResponseWriter, r *http.Request) error {
	if p.s.Token.IsZero() {
		return refusal(http.StatusForbidden, "sign-in is not possible: no operator token is configured. Set token_file under [page] in the configuration")
	}
	if err := r.ParseForm(); err != nil {
		return refusal(http.StatusBadRequest, "the form cannot be read")
	}
	next, kept := localNext(r.PostForm.Get("next")), r.PostForm.Get("kept")
	if !p.logins.allow(r) {
		w.Header().Set("Retry-After", "10")
		p.showLogin(w, r, http.StatusTooManyRequests, next, kept, "Too many attempts. Wait ten seconds.")
		return nil
	}
	who := strings.TrimSpace(r.PostForm.Get("who"))
	if who == "" || len(who) > 60 || who != drivers.Plain(who) {
		p.showLogin(w, r, http.StatusBadRequest, next, kept, "Give a name of at most 60 characters; the log records it with your actions.")
		return nil
	}
	given, want := sha256.Sum256([]byte(r.PostForm.Get("token"))), sha256.Sum256([]byte(p.s.Token.Reveal()))
	if subtle.ConstantTimeCompare(given[:], want[:]) != 1 {
		p.s.Log.Warn("page: wrong operator token", "from", r.RemoteAddr)
		p.showLogin(w, r, http.StatusForbidden, next, kept, "Wrong operator token.")
		return nil
	}
	p.s.Log.Info("page: operator signed in", "who", who, "from", r.RemoteAddr)
	http.SetCookie(w, &http.Cookie{
		Name: cookieName, Value: p.sessions.open(who, next, kept), Path: "/", MaxAge: int(sessionLasts.Seconds()),
		HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode,
	})
	http.Redirect(w, r, next, http.StatusSeeOther)
	return nil
}

func (p *Page) doLogout(w http.ResponseWriter, r *http.Request) error {
	s := p.sessions.of(r)
	if s == nil { // a restart has done it already
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	if !s.redeem(r.PostFormValue("form"), "logout", "", "", "") {
		return refusal(http.StatusForbidden, "this page has expired; go back and try again")
	}
	p.sessions.close(r)
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}
