package page_test

import (
	"bufio"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"text/template"
	"time"

	"github.com/google/go-cmp/cmp"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/history"
	"nightcell/daemon/page"
	"nightcell/daemon/snapshot"
)

func alarmed(t *testing.T) *bench {
	t.Helper()
	b := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1"), zinc("zinc-2")}})
	b.change(0, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	return b
}

const ackPath = "/cell/zinc-1/acknowledge"

func ackForm(token string) url.Values {
	return url.Values{"form": {token}, "subject": {"hard-short"}, "confirm": {"zinc-1"}}
}

// TestActing is the honest way through every act.
func TestActing(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	v.signIn()
	v.want("acknowledging", v.send(http.MethodPost, ackPath, ackForm(v.form(ackPath+"?condition=hard-short"))), http.StatusSeeOther)
	page := v.get("/cell/zinc-1")
	for _, want := range []string{"Hard short of Zinc 1 is acknowledged.", "active, acknowledged, night shift", "night shift may act here"} {
		if !strings.Contains(page.body, want) {
			t.Errorf("the page after acknowledging does not say %q", want)
		}
	}
	if strings.Contains(v.get("/cell/zinc-1").body, "is acknowledged.") {
		t.Error("what was done is said twice")
	}
	enter := func(kind string, more url.Values) answer {
		t.Helper()
		f := url.Values{"form": {v.form("/cell/zinc-2/enter?kind=" + kind)}, "subject": {kind}, "confirm": {"zinc-2"}}
		for k, x := range more {
			f[k] = x
		}
		return v.send(http.MethodPost, "/cell/zinc-2/enter", f)
	}
	v.want("an assay", enter("assay", url.Values{"concentration": {"12.4 g/L"}}), http.StatusSeeOther)
	wrong := enter("sample", url.Values{"volume": {"5 g"}, "text": {"<b>kept</b>"}})
	v.want("a sample in grams", wrong, http.StatusBadRequest)
	if !strings.Contains(wrong.body, "is a mass") || !strings.Contains(wrong.body, "&lt;b&gt;kept&lt;/b&gt;") || !strings.Contains(wrong.body, `value="5 g"`) {
		t.Errorf("the mistake is not explained, or what was typed is lost: %s", wrong.body)
	}
	v.want("nothing", enter("remark", nil), http.StatusBadRequest)
	slip := url.Values{"concentration": {"503 g/L"}}
	refused := enter("assay", slip)
	v.want("an assay against the books", refused, http.StatusUnprocessableEntity)
	for _, want := range []string{"503 g/L, the mass balance 50.3 g/L", "7.72 → 78.90", `type="checkbox" name="certain"`, `value="503 g/L"`} {
		if !strings.Contains(refused.body, want) {
			t.Errorf("%q is missing in the refusal: %s", want, refused.body)
		}
	}
	if strings.Contains(v.get("/cell/zinc-2/enter?kind=assay").body, `name="certain"`) {
		t.Error("the first form asks already whether it is certain")
	}
	slip.Set("certain", "yes")
	v.want("the same, certain", enter("assay", slip), http.StatusSeeOther)
	if !strings.Contains(v.get("/cell/zinc-2").body, "A note on the assay.") {
		t.Error("what the daemon notes of an entry is not shown")
	}
	v.want("a confirmation", enter("confirm", nil), http.StatusSeeOther)
	v.want("salt by concentration", enter("addition", url.Values{"formula": {"ZnSO4"}, "concentration": {"260 g/L"}, "volume": {"50 mL"}}), http.StatusSeeOther)
	off := url.Values{"form": {v.form("/cell/zinc-2/off")}, "subject": {""}, "confirm": {"zinc-2"}}
	v.want("off", v.send(http.MethodPost, "/cell/zinc-2/off", off), http.StatusSeeOther)
	hold := url.Values{"form": {v.form("/cell/zinc-2/hold")}, "subject": {""}, "confirm": {"zinc-2"}}
	v.want("a hold that the daemon refuses", v.send(http.MethodPost, "/cell/zinc-2/hold", hold), http.StatusConflict)
	want := []string{
		"acknowledge zinc-1 hard-short night shift",
		`enter zinc-2 assay night shift map[concentration_kilograms_per_cubic_metre:12.4] map[] ""`,
		`enter zinc-2 assay night shift map[concentration_kilograms_per_cubic_metre:503] map[] ""`,
		`enter zinc-2 confirm night shift map[] map[] ""`,
		`enter zinc-2 addition night shift map[concentration_kilograms_per_cubic_metre:260 volume_cubic_metres:5e-05] map[formula:ZnSO4] ""`,
		"off zinc-2 night shift", "hold zinc-2 night shift",
	}
	if diff := cmp.Diff(want, b.op.orders()); diff != "" {
		t.Errorf("orders (-want +got):\n%s", diff)
	}
	v.want("signing out", v.send(http.MethodPost, "/logout", url.Values{"form": {logoutToken(t, v)}}), http.StatusSeeOther)
	v.want("acting after signing out", v.send(http.MethodPost, "/cell/zinc-2/off", off), http.StatusForbidden)
}

func logoutToken(t *testing.T, v *visitor) string {
	t.Helper()
	_, rest, ok := strings.Cut(v.get("/").body, `action="/logout"><input type="hidden" name="form" value="`)
	if !ok {
		t.Fatal("no sign-out form")
	}
	token, _, _ := strings.Cut(rest, `"`)
	return token
}

// TestNothingIsDoneForAnAttacker: every one of these is refused, and no order reaches the daemon.
func TestNothingIsDoneForAnAttacker(t *testing.T) {
	b := alarmed(t)
	operator := b.visitor()
	operator.signIn()
	fresh := func() string { return operator.form(ackPath + "?condition=hard-short") }
	set := func(key, value string) func(*http.Request) {
		return func(r *http.Request) { r.Header.Set(key, value) }
	}
	drop := func(keys ...string) func(*http.Request) {
		return func(r *http.Request) {
			for _, k := range keys {
				r.Header.Del(k)
			}
		}
	}
	stranger := b.visitor()
	post := func(v *visitor, form url.Values, change ...func(*http.Request)) answer {
		return v.send(http.MethodPost, ackPath, form, change...)
	}
	operator.want("cross-site post by origin", post(operator, ackForm(fresh()), set("Origin", "https://evil.example"), drop("Sec-Fetch-Site")), http.StatusForbidden)
	operator.want("cross-site post by fetch metadata", post(operator, ackForm(fresh()), set("Sec-Fetch-Site", "cross-site")), http.StatusForbidden)
	operator.want("same-site is not same-origin", post(operator, ackForm(fresh()), set("Sec-Fetch-Site", "same-site")), http.StatusForbidden)
	operator.want("another port is another origin", post(operator, ackForm(fresh()), set("Origin", "http://127.0.0.1:1")), http.StatusForbidden)
	operator.want("null origin", post(operator, ackForm(fresh()), set("Origin", "null"), drop("Sec-Fetch-Site")), http.StatusForbidden)
	operator.want("no proof of origin", post(operator, ackForm(fresh()), drop("Origin", "Sec-Fetch-Site")), http.StatusForbidden)
	operator.want("no form token", post(operator, ackForm("")), http.StatusForbidden)
	operator.want("made-up form token", post(operator, ackForm("AAAAAAAAAAAAAAAAAAAAAAAAAA")), http.StatusForbidden)
	operator.want("token of another act", post(operator, ackForm(operator.form("/cell/zinc-1/off"))), http.StatusForbidden)
	operator.want("token of another cell", post(operator, ackForm(operator.form("/cell/zinc-2/enter"))), http.StatusForbidden)
	operator.want("token in the query only", operator.send(http.MethodPost, ackPath+"?"+ackForm(fresh()).Encode(), url.Values{}), http.StatusForbidden)
	stranger.want("nobody signed in", post(stranger, ackForm(fresh())), http.StatusForbidden)
	stranger.want("another's session guessed", post(stranger, ackForm(fresh()), set("Cookie", "nightcell=AAAAAAAAAAAAAAAAAAAAAAAAAA")), http.StatusForbidden)
	other := b.visitor()
	other.signIn()
	other.want("a token of another's session", post(other, ackForm(fresh())), http.StatusForbidden)
	unconfirmed := ackForm(fresh())
	unconfirmed.Del("confirm")
	operator.want("without the confirm step", post(operator, unconfirmed), http.StatusBadRequest)
	misnamed := ackForm(fresh())
	misnamed.Set("confirm", "zinc-2")
	operator.want("confirmed for another cell", post(operator, misnamed), http.StatusBadRequest)
	operator.want("acting by GET shows a form only", operator.get(ackPath+"?"+ackForm(fresh()).Encode()+"&condition=hard-short"), http.StatusOK)
	operator.want("acting by PUT", operator.send(http.MethodPut, ackPath, ackForm(fresh()), set("Origin", b.url)), http.StatusNotFound)
	if got := b.op.orders(); len(got) != 0 {
		t.Fatalf("orders got through: %q", got)
	}
	used := ackForm(fresh())
	operator.want("the honest one", post(operator, used), http.StatusSeeOther)
	operator.want("replayed", post(operator, used), http.StatusForbidden)
	if got := b.op.orders(); len(got) != 1 {
		t.Errorf("a replay got through: %q", got)
	}
}

// TestHost refuses names that are not this machine's (DNS rebinding).
func TestHost(t *testing.T) {
	b := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, hosts: []string{"Bench-3.example"}})
	v := b.visitor()
	port := b.url[strings.LastIndex(b.url, ":")+1:]
	for host, status := range map[string]int{
		"127.0.0.1:" + port: 200, "localhost:" + port: 200, "[::1]:" + port: 200, "bench-3.example": 200, "BENCH-3.example.:80": 200,
		"evil.example": 421, "evil.example:" + port: 421, "localhost.evil.example": 421, "127.0.0.1.evil.example": 421, "0x7f.1.evil.example:1": 421,
	} {
		for _, path := range []string{"/", "/events?of=nobody", "/static/page.css", "/cell/zinc-1/history?points=1"} {
			a := v.get(path, func(r *http.Request) { r.Host = host })
			if status == 200 && a.StatusCode == http.StatusMisdirectedRequest || status == 421 && a.StatusCode != http.StatusMisdirectedRequest {
				t.Errorf("Host %q, %s: status %d", host, path, a.StatusCode)
			}
		}
	}
}

// TestGuessing: a wrong token is refused, tries are limited, and tries from foreign pages do not count.
func TestGuessing(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	guess := url.Values{"who": {"x"}, "token": {"wrong"}}
	for range 50 {
		v.want("guess from a foreign page", v.send(http.MethodPost, "/login", guess, func(r *http.Request) {
			r.Header.Set("Origin", "https://evil.example")
			r.Header.Set("Sec-Fetch-Site", "cross-site")
		}), http.StatusForbidden)
	}
	statuses := map[int]int{}
	for range 30 {
		a := v.send(http.MethodPost, "/login", guess)
		statuses[a.StatusCode]++
		if len(a.Cookies()) > 0 {
			t.Fatal("a cookie for a wrong token")
		}
	}
	if statuses[http.StatusForbidden] < 1 || statuses[http.StatusTooManyRequests] < 20 || len(statuses) != 2 {
		t.Errorf("30 guesses were answered %v", statuses)
	}
}

// TestCookie: scripts and foreign sites never get at it.
func TestCookie(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	a := v.send(http.MethodPost, "/login", url.Values{"who": {"night shift"}, "token": {operatorToken}, "next": {"/cell/zinc-1/off"}})
	if got := a.Header.Get("Location"); got != "/cell/zinc-1/off" {
		t.Errorf("sent on to %q", got)
	}
	c := a.Cookies()
	if len(c) != 1 || !c[0].HttpOnly || c[0].SameSite != http.SameSiteStrictMode || strings.Contains(c[0].Value, operatorToken) || len(c[0].Value) < 26 {
		t.Errorf("cookie %v", c)
	}
	for _, next := range []string{"https://evil.example/", "//evil.example/cell/", `/\evil.example/cell/`, "/cell/\r\nSet-Cookie: x=y", "javascript:alert(1)", "/cell/../../x\x00", "http:evil"} {
		a := b.visitor().send(http.MethodPost, "/login", url.Values{"who": {"x"}, "token": {operatorToken}, "next": {next}})
		if got := a.Header.Get("Location"); a.StatusCode == http.StatusSeeOther && got != "/" || a.Header.Get("Set-Cookie") != "" && strings.Contains(a.Header.Get("Set-Cookie"), "x=y") {
			t.Errorf("next=%q leads to %q", next, got)
		}
	}
}

// TestHeaderInjection: line breaks in what a visitor sends never reach a header, and
// what a proxy might say of the visitor changes nothing.
func TestHeaderInjection(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	for _, who := range []string{"x\r\nSet-Cookie: evil=1", "x\ny", "\x00", strings.Repeat("n", 61), "  "} {
		a := v.send(http.MethodPost, "/login", url.Values{"who": {who}, "token": {operatorToken}}, func(r *http.Request) { r.Header.Set("X-Forwarded-For", "192.0.2.9") })
		if a.StatusCode != http.StatusBadRequest && a.StatusCode != http.StatusTooManyRequests || len(a.Cookies()) > 0 {
			t.Errorf("signing in as %q: status %d, cookies %v", who, a.StatusCode, a.Cookies())
		}
	}
	for _, path := range []string{"/login?next=%0d%0aSet-Cookie:%20evil=1", "/cell/zinc-1/off?x=%0d%0aSet-Cookie:%20evil=1", "/cell/zinc-1%0d%0aX: y/off", "/nothing%0d%0aSet-Cookie:evil=1"} {
		a := v.get(path, func(r *http.Request) { r.Header.Set("X-Forwarded-Host", "evil.example") })
		for k, values := range a.Header {
			if strings.Contains(fmt.Sprint(values), "evil=1") && k != "Location" || strings.Contains(fmt.Sprint(values), "evil.example") {
				t.Errorf("%s: header %s: %q", path, k, values)
			}
		}
		if strings.ContainsAny(a.Header.Get("Location"), "\r\n") {
			t.Errorf("%s: a line break in Location", path)
		}
	}
}

// TestActsAreLimited: a signed-in browser that has gone mad is slowed down.
func TestActsAreLimited(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	v.signIn()
	statuses := map[int]int{}
	for range 30 {
		statuses[v.send(http.MethodPost, ackPath, ackForm("none")).StatusCode]++
	}
	if statuses[http.StatusTooManyRequests] < 15 || len(statuses) != 2 {
		t.Errorf("30 acts at once: %v", statuses)
	}
}

// TestNoToken: without a configured token nobody can act, and a short one is not accepted at all.
func TestNoToken(t *testing.T) {
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}})
	v := b.visitor()
	for _, token := range []string{"", "x", operatorToken} {
		v.want("signing in with "+token, v.send(http.MethodPost, "/login", url.Values{"who": {"x"}, "token": {token}}), http.StatusForbidden)
	}
	if strings.Contains(v.get("/").body, "Sign in") {
		t.Error("the page offers to sign in")
	}
	_, err := page.New(page.Settings{Token: routes.NewSecret("short"), History: history.New("", nil, nil), Zone: time.UTC})
	if err == nil || strings.Contains(err.Error(), "short;") {
		t.Errorf("a token of five characters: %v", err)
	}
}

// TestPaths: nothing but what is meant to be there can be had.
func TestPaths(t *testing.T) {
	b := newBench(t, benchOptions{token: operatorToken, cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) { writeRun(t, data, "zinc-1", 50) }})
	for _, path := range []string{
		"/static/", "/static", "/static/../page.go", "/static/%2e%2e/templates/base.html", "/static/..%2fpage.go", "/static/%5c..%5cpage.go", "/templates/base.html",
		"/debug/pprof/", "/debug/vars", "/.git/config", "/cell/", "/cell/..", "/cell/%2e%2e%2f%2e%2e", "/cell/nobody", "/cell/zinc-1%00", "/cell/zinc-1/../../etc/passwd",
		"/cell/zinc-1/history/", "/cell/zinc-1/run.toml", "/cell/zinc-1/shelve", "/cell/%3Cscript%3Ealert(1)%3C%2Fscript%3E", "/events?of=..", "/runs/zinc-1/", "//evil.example/%2e%2e",
	} {
		conn, err := net.Dial("tcp", strings.TrimPrefix(b.url, "http://"))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(conn, "GET %s HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n", path) // as it is, without a client's tidying
		body, err := io.ReadAll(conn)
		conn.Close()
		if err != nil {
			t.Fatal(err)
		}
		answer := string(body)
		if status := strings.Fields(answer)[1]; status != "404" && status != "400" && !strings.HasPrefix(status, "30") {
			t.Errorf("%s: status %s", path, status)
		}
		for _, leak := range []string{"root:", "package page", "<script>alert", "# invented", "{{define", "page.css\n", b.data} {
			if strings.Contains(answer, leak) {
				t.Errorf("%s leaks %q", path, leak)
			}
		}
	}
	v := b.visitor()
	for _, q := range []string{"", "points=x", "points=100&from=1e999", "points=100&from=-1", "points=100&to=NaN", "points=10&run=../zinc-1", "points=10&run=20200101T000000Z"} {
		if a := v.get("/cell/zinc-1/history?" + q); a.StatusCode != 400 && a.StatusCode != 404 {
			t.Errorf("history?%s: status %d", q, a.StatusCode)
		}
	}
	v.want("a million points", v.get("/cell/zinc-1/history?points=1000000000&from=0&to=8e9"), http.StatusOK)
	v.want("a long query", v.get("/?"+strings.Repeat("x", 2000)), http.StatusRequestURITooLong)
}

// TestHeaders: every answer carries them, and the policy lets no inline script or style through.
func TestHeaders(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	for _, path := range []string{"/", "/cell/zinc-1", "/login", "/nothing", "/static/live.js", "/cell/zinc-1/history?points=100", "/cell/zinc-1/off"} {
		h := v.get(path).Header
		policy := h.Get("Content-Security-Policy")
		if !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "unsafe") || !strings.Contains(policy, "frame-ancestors 'none'") || h.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: headers %v", path, h)
		}
	}
	// Names and texts of the bath, a person or a broken supply are never markup.
	b.change(0, func(c *snapshot.Cell) {
		c.Link.Identity = `<script>alert(1)</script>`
		a := short()
		a.Text, a.By, a.Condition = `"><img src=x onerror=alert(1)>`, `<i>`, `x" onmouseover="alert(1)`
		c.Alarms = []alerts.Alarm{a}
		c.Blind = []string{"<style>*{}</style>"}
	})
	eventually(t, "the new text on the page", func() bool { return strings.Contains(v.get("/cell/zinc-1").body, "img src=x") })
	body := v.get("/cell/zinc-1").body
	for _, bad := range []string{"<script>alert", "<img", "<i>", "<style>", `onmouseover="alert`} {
		if strings.Contains(body, bad) {
			t.Errorf("the page has %q in it", bad)
		}
	}
}

// TestBodies: bodies that are huge or malformed are refused without being taken in.
func TestBodies(t *testing.T) {
	b := alarmed(t)
	v := b.visitor()
	v.signIn()
	send := func(kind, body string) int {
		a := v.send(http.MethodPost, ackPath, nil, func(r *http.Request) {
			r.Body, r.ContentLength = io.NopCloser(strings.NewReader(body)), int64(len(body))
			r.Header.Set("Content-Type", kind)
		})
		return a.StatusCode
	}
	const form = "application/x-www-form-urlencoded"
	for _, c := range []struct {
		kind, body string
		status     int
	}{
		{form, strings.Repeat("a=b&", 1<<20), 413}, {form, "form=%zz&%", 400}, {form, "\x00\xff\xfe", 403}, {"application/json", `{"form":"x"}`, 403},
		{"multipart/form-data; boundary=x", "--x\r\nContent-Disposition: form-data; name=\"form\"\r\n\r\ny\r\n--x--", 403}, {"", "form=x", 403},
	} {
		if got := send(c.kind, c.body); got != c.status {
			t.Errorf("%s %.20q: status %d, want %d", c.kind, c.body, got, c.status)
		}
	}
	// A body of unknown length that does not end is cut off at the limit.
	conn, err := net.Dial("tcp", strings.TrimPrefix(b.url, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	fmt.Fprintf(conn, "POST /login HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nContent-Type: %s\r\nTransfer-Encoding: chunked\r\n\r\n", form)
	chunk := "1000\r\n" + strings.Repeat("a", 4096) + "\r\n"
	for range 64 {
		if _, err := io.WriteString(conn, chunk); err != nil {
			break // cut off, as it should be
		}
	}
	answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
	if err == nil {
		defer answer.Body.Close()
		if answer.StatusCode != http.StatusBadRequest {
			t.Errorf("an endless body: status %d", answer.StatusCode)
		}
	}
	if got := b.op.orders(); len(got) != 0 {
		t.Errorf("orders got through: %q", got)
	}
}

// TestNobodySignsInUnderANameThatIsObeyed: it goes into the log and onto the page with every act.
func TestNobodySignsInUnderANameThatIsObeyed(t *testing.T) {
	b := alarmed(t)
	for _, who := range []string{"ann\u202e", "\x1b[2Jann", "a\u009bnn", "a\u2066nn"} {
		a := b.visitor().send(http.MethodPost, "/login", url.Values{"who": {who}, "token": {operatorToken}})
		if a.StatusCode != http.StatusBadRequest {
			t.Errorf("%q signed in: %s", who, a.Status)
		}
	}
}

// TestAlarmSaysWhatConfirmsIt: beside an alarm stands what else would be seen if it is so.
func TestAlarmSaysWhatConfirmsIt(t *testing.T) {
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}})
	b.change(0, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	says := template.HTMLEscapeString(alerts.HardShort.About().Confirms)
	if body := b.visitor().get("/cell/zinc-1").body; says == "" || !strings.Contains(body, "<b>To confirm:</b> "+says) {
		t.Errorf("the page does not say %q", says)
	}
}
