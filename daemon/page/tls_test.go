package page_test

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"fmt"
	"io"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/crypto/bcrypt"
)

// selfSigned writes a certificate for 127.0.0.1 and its key, and returns a pool that trusts it.
func selfSigned(t *testing.T, dir string) *x509.CertPool {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	about := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "bench"}, NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, about, about, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	certificate := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	for name, data := range map[string][]byte{"cert.pem": certificate, "key.pem": pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret})} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	pool := x509.NewCertPool()
	pool.AppendCertsFromPEM(certificate)
	return pool
}

// TestWebConfiguration serves page and metrics behind TLS and a password by the
// ecosystem's own web configuration file, and acts through both.
func TestWebConfiguration(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	pool := selfSigned(t, dir)
	hash, err := bcrypt.GenerateFromPassword([]byte("a password of the test"), bcrypt.MinCost)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(dir, "web.yml")
	text := fmt.Sprintf("tls_server_config:\n  cert_file: cert.pem\n  key_file: key.pem\nbasic_auth_users:\n  bench: %s\n", hash)
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	w := watch(t, setup{speed: 1, poll: "200 ms", page: fmt.Sprintf("web_config = %q", file)})
	w.latest(t)
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	transport := &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}
	t.Cleanup(transport.CloseIdleConnections)
	client := &http.Client{Jar: jar, Transport: transport, CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	base := strings.Replace(w.url, "http://", "https://", 1)
	do := func(method, path, password string, form url.Values) (int, string, []*http.Cookie) {
		t.Helper()
		r, err := http.NewRequestWithContext(t.Context(), method, base+path, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if password != "" {
			r.SetBasicAuth("bench", password)
		}
		r.Header.Set("Origin", base)
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		resp, err := client.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		body, err := io.ReadAll(resp.Body)
		if err != nil {
			t.Fatal(err)
		}
		return resp.StatusCode, string(body), resp.Cookies()
	}
	for _, path := range []string{"/", "/metrics", "/static/page.css", "/events?of=zinc-1", "/login"} {
		for _, password := range []string{"", "wrong"} {
			if status, body, _ := do(http.MethodGet, path, password, nil); status != http.StatusUnauthorized || strings.Contains(body, "zinc") {
				t.Errorf("%s with password %q: status %d", path, password, status)
			}
		}
	}
	const password = "a password of the test"
	for path, want := range map[string]string{"/": "Zinc 1", "/metrics": "nightcell_charge_coulombs"} {
		if status, body, _ := do(http.MethodGet, path, password, nil); status != http.StatusOK || !strings.Contains(body, want) {
			t.Errorf("%s: status %d, without %q", path, status, want)
		} else if strings.Contains(body, operatorToken) || strings.Contains(body, string(hash)) {
			t.Errorf("%s shows a secret", path)
		}
	}
	status, _, cookies := do(http.MethodPost, "/login", password, url.Values{"who": {"night shift"}, "token": {operatorToken}})
	if status != http.StatusSeeOther || len(cookies) != 1 || !cookies[0].Secure {
		t.Errorf("signing in over TLS: status %d, cookies %v", status, cookies)
	}
	// In plain HTTP there is nothing to be had.
	if resp, err := http.Get(w.url + "/"); err == nil {
		defer resp.Body.Close()
		if resp.StatusCode != http.StatusBadRequest {
			t.Errorf("plain HTTP: status %d", resp.StatusCode)
		}
	}
}
