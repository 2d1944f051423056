package page

import (
	"crypto/rand"
	"net/http"
	"net/url"
	"sync"
	"time"

	"golang.org/x/time/rate"
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

	mu    sync.Mutex
	flash string // shown once, after an act
	// kept is what was written before the sign-in was over, for the confirm step at next, once.
	kept  url.Values
	next  string
	forms map[string]form
}

// form is what a form token is good for, once.
type form struct {
	act, cell, subject, run string
	ends                    time.Time
}

func newSessions() *sessions { return &sessions{all: make(map[string]*session)} }

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
func (s *sessions) open(who, next string, kept url.Values) string {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := time.Now()
	makeRoom(s.all, mostSessions, now, func(other *session) time.Time { return other.ends })
	id := rand.Text()
	s.all[id] = &session{
		who: who, ends: now.Add(sessionLasts), acts: rate.NewLimiter(rate.Every(time.Second/2), 15), forms: make(map[string]form), next: next, kept: kept,
	}
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

func (s *session) setFlash(text string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.flash = text
}

func (s *session) takeFlash() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	text := s.flash
	s.flash = ""
	return text
}

// takeKept returns what was kept for a page, once; nil if nothing was.
func (s *session) takeKept(page string) url.Values {
	s.mu.Lock()
	defer s.mu.Unlock()
	if page != s.next {
		return nil
	}
	kept := s.kept
	s.kept = nil
	return kept
}
