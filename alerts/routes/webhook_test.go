package routes

import (
	"context"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"nightcell/alerts"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// received is a request as a server saw it.
type received struct {
	header http.Header
	method string
	path   string
	query  string
	body   []byte
}

// listenFor serves requests with handle and passes each on.
func listenFor(t *testing.T, serve func(http.Handler) *httptest.Server, handle http.HandlerFunc) (*httptest.Server, chan received) {
	t.Helper()
	seen := make(chan received, 100)
	s := serve(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		seen <- received{r.Header, r.Method, r.URL.Path, r.URL.RawQuery, body}
		handle(w, r)
	}))
	t.Cleanup(s.Close)
	return s, seen
}

func status(code int) http.HandlerFunc {
	return func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(code) }
}

func webhook(t *testing.T, s Settings) *Webhook {
	t.Helper()
	s.Name = "hook"
	w, err := NewWebhook(s)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

func TestWebhookPostsASignedEvent(t *testing.T) {
	server, seen := listenFor(t, httptest.NewServer, status(http.StatusNoContent))
	key := NewSecret("key")
	hook := webhook(t, Settings{URL: NewSecret(server.URL + "/in?token=t0ken"), Key: key, Authorization: NewSecret("Bearer b")})
	proof, err := hook.Deliver(t.Context(), alarm("a", "contact", alerts.High))
	if err != nil || proof != "HTTP 204" {
		t.Fatalf("%q, %v", proof, err)
	}
	r := <-seen
	checkEvent(t, r.body)
	if r.method != http.MethodPost || r.path != "/in" || r.query != "token=t0ken" || r.header.Get("Authorization") != "Bearer b" {
		t.Errorf("request: %+v", r)
	}
	if ct := r.header.Get("Content-Type"); ct != "application/cloudevents+json; charset=utf-8" {
		t.Errorf("content type %q", ct)
	}
	at := r.header.Get(SignedAtHeader)
	if when, err := time.Parse(time.RFC3339, at); err != nil || time.Since(when).Abs() > time.Minute {
		t.Errorf("signed at %q", at)
	}
	if r.header.Get(SignatureHeader) != Sign(key, at, r.body) || Sign(key, at, r.body) == Sign(NewSecret("kex"), at, r.body) {
		t.Error("the signature does not fit")
	}
	if _, err := webhook(t, Settings{URL: NewSecret(server.URL)}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err != nil {
		t.Fatal(err)
	}
	if r = <-seen; r.header.Get(SignatureHeader) != "" {
		t.Error("signed without a key")
	}
}

// RFC 4231, section 4.3, test case 2.
func TestSignatureIsHMACSHA256(t *testing.T) {
	got := hex.EncodeToString(authenticate(NewSecret("Jefe"), []byte("what do ya want "), []byte("for nothing?")))
	if got != "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843" {
		t.Error(got)
	}
}

func TestWebhookJudgesTheAnswer(t *testing.T) {
	for _, c := range []struct {
		code    int
		header  string // Retry-After
		refused bool
		busy    time.Duration
	}{
		{code: 500}, {code: 502}, {code: 503, header: "120", busy: 2 * time.Minute}, {code: 429, header: "999999", busy: time.Hour},
		{code: 429, header: "-1"}, {code: 429, header: "Fri, 31 Dec 1999 23:59:59 GMT"}, {code: 401}, {code: 403}, {code: 404}, {code: 408},
		{code: 400, refused: true}, {code: 413, refused: true}, {code: 415, refused: true}, {code: 422, refused: true},
		{code: 301}, {code: 302}, {code: 307},
	} {
		elsewhere, astray := listenFor(t, httptest.NewServer, status(200))
		server, _ := listenFor(t, httptest.NewServer, func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", c.header)
			w.Header().Set("Location", elsewhere.URL)
			w.WriteHeader(c.code)
			fmt.Fprint(w, "sorry\x1b[31m")
		})
		_, err := webhook(t, Settings{URL: NewSecret(server.URL)}).Deliver(t.Context(), alarm("a", "contact", alerts.High))
		var refused *Refused
		var busy *Busy
		if err == nil || errors.As(err, &refused) != c.refused {
			t.Errorf("%d: %v", c.code, err)
		}
		if errors.As(err, &busy); c.busy > 0 && (busy == nil || busy.After != c.busy) || c.busy == 0 && busy != nil {
			t.Errorf("%d with Retry-After %q: %v", c.code, c.header, busy)
		}
		if !strings.Contains(err.Error(), fmt.Sprint(c.code)) || strings.Contains(err.Error(), "\x1b") {
			t.Errorf("%d: %q", c.code, err)
		}
		if len(astray) != 0 {
			t.Errorf("%d: a redirection was followed", c.code)
		}
	}
}

func TestWebhookThatHangsOrFloods(t *testing.T) {
	release := make(chan struct{})
	hung, _ := listenFor(t, httptest.NewServer, func(_ http.ResponseWriter, r *http.Request) {
		select {
		case <-release:
		case <-r.Context().Done():
		}
	})
	defer close(release)
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if _, err := webhook(t, Settings{URL: NewSecret(hung.URL)}).Deliver(ctx, alarm("a", "contact", alerts.High)); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("a server that hangs: %v", err)
	}
	flood, _ := listenFor(t, httptest.NewServer, func(w http.ResponseWriter, _ *http.Request) {
		chunk := make([]byte, 1<<20)
		for range 64 {
			if _, err := w.Write(chunk); err != nil {
				return
			}
		}
	})
	if _, err := webhook(t, Settings{URL: NewSecret(flood.URL)}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err != nil {
		t.Errorf("a server that talks too much: %v", err)
	}
}

func TestWebhookVerifiesCertificates(t *testing.T) {
	quietly := func(h http.Handler) *httptest.Server {
		s := httptest.NewUnstartedServer(h)
		s.Config.ErrorLog = log.New(io.Discard, "", 0) // it would complain about the handshake that is meant to fail
		s.StartTLS()
		return s
	}
	server, seen := listenFor(t, quietly, status(200))
	if _, err := webhook(t, Settings{URL: NewSecret(server.URL)}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("an unknown authority: %v", err)
	}
	file := filepath.Join(t.TempDir(), "ca.pem")
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: server.Certificate().Raw})
	if err := os.WriteFile(file, certificate, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := webhook(t, Settings{URL: NewSecret(server.URL), CAFile: file}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err != nil {
		t.Errorf("a configured authority: %v", err)
	}
	other := strings.Replace(server.URL, "127.0.0.1", "localhost", 1) // not among the certificate's names
	if _, err := webhook(t, Settings{URL: NewSecret(other), CAFile: file}).Deliver(t.Context(), alarm("a", "contact", alerts.High)); err == nil {
		t.Error("a certificate for another name was taken")
	}
	if len(seen) != 1 {
		t.Errorf("%d requests came through", len(seen))
	}
}

func TestWebhookErrorsTellNoSecret(t *testing.T) {
	server, _ := listenFor(t, httptest.NewServer, status(500))
	gone := httptest.NewServer(nil)
	gone.Close()
	const token = "s3cret-t0ken"
	for _, address := range []string{server.URL, gone.URL, "http://no-such-host.invalid", "https://" + strings.TrimPrefix(server.URL, "http://")} {
		_, err := webhook(t, Settings{URL: NewSecret(address + "/" + token + "?k=" + token)}).Deliver(t.Context(), alarm("a", "contact", alerts.High))
		if err == nil || strings.Contains(err.Error(), token) {
			t.Errorf("%s: %v", address, err)
		}
	}
	for _, address := range []string{"", "ftp://host/" + token, "https://", "://" + token, "http://[" + token} {
		if _, err := NewWebhook(Settings{Name: "hook", URL: NewSecret(address)}); err == nil || strings.Contains(err.Error(), token) {
			t.Errorf("%q: %v", address, err)
		}
	}
	for _, file := range []string{filepath.Join(t.TempDir(), "none"), "webhook_test.go"} {
		if _, err := NewWebhook(Settings{URL: NewSecret("https://a.example"), CAFile: file}); err == nil {
			t.Errorf("authorities from %s", file)
		}
	}
}
