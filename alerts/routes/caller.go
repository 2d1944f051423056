package routes

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"strings"
	"time"
)

// The most of an answer that is read, and the longest wait that a server may ask for.
const (
	longestAnswer = 64 << 10
	longestBusy   = time.Hour
)

// caller speaks HTTP to one address that must not be printed.
type caller struct {
	client *http.Client
	url    Secret
	host   string // the part of the address that may be printed
}

// newCaller checks the address and loads the authorities.
func newCaller(address Secret, caFile string) (*caller, error) {
	u, err := url.Parse(address.Reveal())
	// The parser's error quotes the address, so it is not wrapped.
	if err != nil || u.Host == "" || (u.Scheme != "https" && u.Scheme != "http") {
		return nil, errors.New("the URL is not of the form https://host/path")
	}
	config, err := tlsConfig(caFile)
	if err != nil {
		return nil, err
	}
	return &caller{
		client: &http.Client{
			Transport: &http.Transport{
				Proxy:               http.ProxyFromEnvironment,
				TLSClientConfig:     config,
				DisableKeepAlives:   true, // notices are rare; a kept connection is only a goroutine and a chance to be stale
				MaxConnsPerHost:     2,
				TLSHandshakeTimeout: 20 * time.Second,
			},
			CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
		},
		url:  address,
		host: u.Scheme + "://" + u.Host,
	}, nil
}

// tlsConfig trusts the system's authorities and those in caFile, if any.
func tlsConfig(caFile string) (*tls.Config, error) {
	config := &tls.Config{MinVersion: tls.VersionTLS12}
	if caFile == "" {
		return config, nil
	}
	pem, err := os.ReadFile(caFile)
	if err != nil {
		return nil, fmt.Errorf("read authorities: %w", err)
	}
	pool, err := x509.SystemCertPool()
	if err != nil {
		pool = x509.NewCertPool()
	}
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fmt.Errorf("read authorities: %s holds no PEM certificate", caFile)
	}
	config.RootCAs = pool
	return config, nil
}

func (c *caller) request(ctx context.Context, method string, body io.Reader) (*http.Request, error) {
	r, err := http.NewRequestWithContext(ctx, method, c.url.Reveal(), body)
	if err != nil {
		return nil, fmt.Errorf("%s: the request could not be built", c.host)
	}
	r.Header.Set("User-Agent", "nightcell")
	return r, nil
}

// do sends the request and judges the answer: 2xx is delivered, a few codes mean
// that this very content will never be taken, everything else may pass.
func (c *caller) do(r *http.Request) (Proof, error) {
	answer, err := c.client.Do(r)
	if err != nil {
		var u *url.Error
		if errors.As(err, &u) { // prints the whole address otherwise
			err = u.Err
		}
		return "", fmt.Errorf("%s %s: %w", r.Method, c.host, hide(err, c.url))
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(answer.Body, longestAnswer)) // only for the error's words
	code := answer.StatusCode
	if code >= 200 && code < 300 {
		return Proof("HTTP " + strconv.Itoa(code)), nil
	}
	err = fmt.Errorf("%s %s: HTTP %d: %s", r.Method, c.host, code, excerpt(text))
	switch {
	case code >= 300 && code < 400:
		return "", fmt.Errorf("%s %s: HTTP %d redirects, which is not followed; configure the final URL", r.Method, c.host, code)
	case code == http.StatusBadRequest, code == http.StatusRequestEntityTooLarge,
		code == http.StatusUnsupportedMediaType, code == http.StatusUnprocessableEntity:
		return "", &Refused{err}
	}
	if after := retryAfter(answer.Header.Get("Retry-After")); after > 0 {
		return "", &Busy{err, after}
	}
	return "", err
}

// retryAfter reads the seconds form of Retry-After (RFC 9110, 10.2.3); the date form depends on two clocks and is ignored.
func retryAfter(s string) time.Duration {
	seconds, err := strconv.Atoi(strings.TrimSpace(s))
	if err != nil || seconds <= 0 {
		return 0
	}
	return time.Duration(min(seconds, int(longestBusy/time.Second))) * time.Second
}

// excerpt is the beginning of an answer, on one line.
func excerpt(b []byte) string {
	if s := oneLine(string(b)); s != "" {
		return s
	}
	return "(no text)"
}
