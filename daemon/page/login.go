package page

import (
	"crypto/sha256"
	"crypto/subtle"
	"net/http"
	"net/url"
	"strings"
	"unicode"

	"nightcell/drivers"
)

type loginView struct {
	frameOf
	Next, Problem string
	Kept          map[string]string // what was written before the sign-in was over
}

// keptPrefix marks the fields of the sign-in form that carry it along.
const keptPrefix = "kept-"

// localNext is where to go after signing in: a page of this site or the beginning.
func localNext(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(u.Path, "/cell/") || strings.ContainsFunc(next, unicode.IsControl) || strings.Contains(next, `\`) {
		return "/"
	}
	return next
}

func (p *Page) askLogin(w http.ResponseWriter, r *http.Request) {
	p.showLogin(w, r, http.StatusOK, localNext(r.URL.Query().Get("next")), nil, "")
}

func (p *Page) showLogin(w http.ResponseWriter, r *http.Request, status int, next string, kept url.Values, problem string) {
	v := loginView{p.frameFor(r, "Sign in", ""), next, problem, make(map[string]string)}
	for name := range kept {
		v.Kept[keptPrefix+name] = kept.Get(name)
	}
	p.render(w, status, "login.html", v)
}

// keptIn takes out of the sign-in form what it carries along.
func keptIn(form url.Values) url.Values {
	kept := url.Values{}
	for name, v := range form {
		if plain, ok := strings.CutPrefix(name, keptPrefix); ok {
			kept[plain] = v
		}
	}
	return kept
}

// doLogin checks the operator's token. Only requests from this site's own form count
// as tries, so that a foreign page cannot use up somebody's tries.
func (p *Page) doLogin(w http.ResponseWriter, r *http.Request) error {
	if !sameOrigin(r) {
		return refusal(http.StatusForbidden, "this request does not come from this page")
	}
	if p.s.Token.IsZero() {
		return refusal(http.StatusForbidden, "nobody can sign in: no operator token is configured. Set token_file under [page] in the configuration")
	}
	if err := r.ParseForm(); err != nil {
		return refusal(http.StatusBadRequest, "the form cannot be read")
	}
	next, kept := localNext(r.PostForm.Get("next")), keptIn(r.PostForm)
	if !p.logins.allow(r) {
		w.Header().Set("Retry-After", "10")
		p.showLogin(w, r, http.StatusTooManyRequests, next, kept, "Too many tries. Wait ten seconds.")
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
	if s == nil && sameOrigin(r) { // a restart has done it already
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return nil
	}
	if s == nil || !sameOrigin(r) || !s.redeem(r.PostFormValue("form"), "logout", "", "", "") {
		return refusal(http.StatusForbidden, "this page has expired; go back and try again")
	}
	p.sessions.close(r)
	http.SetCookie(w, &http.Cookie{Name: cookieName, Path: "/", MaxAge: -1, HttpOnly: true, Secure: r.TLS != nil, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/", http.StatusSeeOther)
	return nil
}
