package page_test

import (
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"regexp"
	"strings"
	"testing"
)

// visitor is a client with cookies that follows no redirect.
type visitor struct {
	t      *testing.T
	bench  *bench
	client *http.Client
}

func (b *bench) visitor() *visitor {
	jar, err := cookiejar.New(nil)
	if err != nil {
		b.t.Fatal(err)
	}
	transport := &http.Transport{}
	b.t.Cleanup(transport.CloseIdleConnections)
	return &visitor{b.t, b, &http.Client{Jar: jar, Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}}
}

// answer is a response with its body read.
type answer struct {
	*http.Response
	body string
}

func (v *visitor) send(method, path string, form url.Values, change ...func(*http.Request)) answer {
	v.t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r, err := http.NewRequestWithContext(v.t.Context(), method, v.bench.url+path, body)
	if err != nil {
		v.t.Fatal(err)
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	if method == http.MethodPost { // as a browser does
		r.Header.Set("Origin", v.bench.url)
		r.Header.Set("Sec-Fetch-Site", "same-origin")
	}
	for _, c := range change {
		c(r)
	}
	resp, err := v.client.Do(r)
	if err != nil {
		v.t.Fatal(err)
	}
	defer resp.Body.Close()
	b, err := io.ReadAll(resp.Body)
	if err != nil {
		v.t.Fatal(err)
	}
	return answer{resp, string(b)}
}

func (v *visitor) get(path string, change ...func(*http.Request)) answer {
	v.t.Helper()
	return v.send(http.MethodGet, path, nil, change...)
}

// want fails unless the answer has the status.
func (v *visitor) want(what string, a answer, status int) {
	v.t.Helper()
	if a.StatusCode != status {
		v.t.Errorf("%s: status %d, want %d: %s", what, a.StatusCode, status, a.body)
	}
}

// signIn makes the visitor an operator.
func (v *visitor) signIn() {
	v.t.Helper()
	a := v.send(http.MethodPost, "/login", url.Values{"who": {"night shift"}, "token": {operatorToken}})
	v.want("signing in", a, http.StatusSeeOther)
}

var formToken = regexp.MustCompile(`class="ask"[^>]*>\s*<input type="hidden" name="form" value="([^"]+)"`)

// form fetches a confirm step and returns its token.
func (v *visitor) form(path string) string {
	v.t.Helper()
	a := v.get(path)
	v.want(path, a, http.StatusOK)
	m := formToken.FindStringSubmatch(a.body)
	if m == nil {
		v.t.Fatalf("%s has no form: %s", path, a.body)
	}
	return m[1]
}
