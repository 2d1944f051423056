package routes

import (
	"bytes"
	"cmp"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strconv"
	"time"
)

// The headers of a signed webhook. The signature is the base64 HMAC-SHA256 (RFC
// 2104, FIPS 180-4) of the signing time as it stands in its header, a line feed, and the body.
const (
	SignatureHeader = "Nightcell-Signature"
	SignedAtHeader  = "Nightcell-Signed-At"
)

// Webhook posts each notice as a CloudEvent in structured JSON. Certificates are
// always verified and redirections never followed, because a POST that turned
// into a GET would look delivered.
type Webhook struct {
	settings Settings
	caller   *caller
}

// NewWebhook checks the settings and returns the route. Nothing is sent.
func NewWebhook(s Settings) (*Webhook, error) {
	c, err := newCaller(s.URL, s.CAFile, s.Authorization)
	if err != nil {
		return nil, fmt.Errorf("route %s: %w", s.Name, err)
	}
	return &Webhook{s, c}, nil
}

// Name implements Route.
func (w *Webhook) Name() string { return w.settings.Name }

// Deliver implements Route. Any status 2xx is proof of delivery.
func (w *Webhook) Deliver(ctx context.Context, n Notice) (Proof, error) {
	body, err := encode(n)
	if err != nil {
		return "", err
	}
	signature := map[string]string{}
	if !w.settings.Key.IsZero() {
		at := time.Now().UTC().Format(time.RFC3339)
		signature[SignedAtHeader], signature[SignatureHeader] = at, Sign(w.settings.Key, at, body)
	}
	return w.caller.post(ctx, eventMediaType, body, signature)
}

// Sign returns the value of SignatureHeader for a body and the value of SignedAtHeader.
func Sign(key Secret, signedAt string, body []byte) string {
	return base64.StdEncoding.EncodeToString(authenticate(key, []byte(signedAt), []byte{'\n'}, body))
}

// authenticate returns the HMAC-SHA256 of the parts in a row.
func authenticate(key Secret, parts ...[]byte) []byte {
	mac := hmac.New(sha256.New, []byte(key.Reveal()))
	for _, p := range parts {
		mac.Write(p)
	}
	return mac.Sum(nil)
}

// eventMediaType is the media type of a CloudEvent in structured JSON (CloudEvents JSON event format 1.0.2, section 3).
const eventMediaType = "application/cloudevents+json; charset=utf-8"

// event is a CloudEvents 1.0 envelope: context attributes of the specification's
// section 3.1, whose names are lower-case letters only. Source and id together are the idempotency key.
type event struct {
	SpecVersion     string    `json:"specversion"`
	ID              string    `json:"id"`
	Source          string    `json:"source"`
	Type            string    `json:"type"`
	Subject         string    `json:"subject,omitempty"`
	Time            time.Time `json:"time"`
	DataContentType string    `json:"datacontenttype"`
	Data            eventData `json:"data"`
}

type eventData struct {
	Notice
	DelayedSeconds float64 `json:"delayed_seconds,omitempty"`
}

// encode returns the notice as one CloudEvent in structured JSON.
func encode(n Notice) ([]byte, error) {
	if n.ID == "" {
		return nil, &Refused{errors.New("the notification has no ID")}
	}
	subject := n.Cell
	if n.Condition != "" {
		subject += "/" + n.Condition
	}
	body, err := json.Marshal(event{
		SpecVersion: "1.0",
		ID:          n.ID,
		Source:      "/nightcell/" + url.PathEscape(n.Cell),
		Type:        "nightcell.notice." + string(n.Kind),
		Subject:     subject,
		Time:        n.At.UTC(),
		// The data is a JSON value within the event, so it needs no encoding of its own.
		DataContentType: "application/json",
		Data:            eventData{n, n.Delayed.Seconds()},
	})
	if err != nil {
		return nil, &Refused{fmt.Errorf("encode notification %s: %w", n.ID, err)}
	}
	return body, nil
}

// The most of an answer that is read, and the longest wait that a server may ask for.
const (
	longestAnswer = 64 << 10
	longestBusy   = time.Hour
)

// caller speaks HTTP to one address that must not be printed.
type caller struct {
	client        *http.Client
	url           Secret
	host          string // the part of the address that may be printed
	authorization Secret // of every request
}

// newCaller checks the address and loads the authorities.
func newCaller(address Secret, caFile string, authorization Secret) (*caller, error) {
	u, err := url.Parse(address.Reveal())
	// The parser's error quotes the address, so it is not wrapped.
	if err != nil || u.Host == "" || (u.Scheme != "https" && u.Scheme != "http") {
		return nil, errors.New("the URL is not of the form https://host/path")
	}
	config, err := TLSConfig(caFile)
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
		url:           address,
		host:          u.Scheme + "://" + u.Host,
		authorization: authorization,
	}, nil
}

// TLSConfig trusts the system's authorities and those in caFile, if any.
func TLSConfig(caFile string) (*tls.Config, error) {
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

// dial opens a connection, an encrypted one by its settings where there are any, which is closed when its life ends.
func dial(ctx, life context.Context, encrypted *tls.Config, address string) (conn net.Conn, err error) {
	if encrypted != nil {
		conn, err = (&tls.Dialer{Config: encrypted}).DialContext(ctx, "tcp", address)
	} else {
		conn, err = (&net.Dialer{}).DialContext(ctx, "tcp", address)
	}
	if err == nil {
		context.AfterFunc(life, func() { _ = conn.Close() })
	}
	return conn, err
}

// request builds one with a body of a media type, or without any for "".
func (c *caller) request(ctx context.Context, method, mediaType string, body []byte) (*http.Request, error) {
	r, err := http.NewRequestWithContext(ctx, method, c.url.Reveal(), bytes.NewReader(body))
	if err != nil {
		return nil, fmt.Errorf("%s: the request could not be built", c.host)
	}
	r.Header.Set("User-Agent", "nightcell")
	if mediaType != "" {
		r.Header.Set("Content-Type", mediaType)
	}
	if !c.authorization.IsZero() {
		r.Header.Set("Authorization", c.authorization.Reveal())
	}
	return r, nil
}

// post sends a body, with more headers than those of every request.
func (c *caller) post(ctx context.Context, mediaType string, body []byte, headers map[string]string) (Proof, error) {
	r, err := c.request(ctx, http.MethodPost, mediaType, body)
	if err != nil {
		return "", err
	}
	for name, value := range headers {
		r.Header.Set(name, value)
	}
	return c.do(r)
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
	err = fmt.Errorf("%s %s: HTTP %d: %s", r.Method, c.host, code, cmp.Or(oneLine(string(text)), "(no text)"))
	switch {
	case code >= 300 && code < 400:
		return "", fmt.Errorf("%s %s: HTTP %d redirects, which is not followed; configure the final URL", r.Method, c.host, code)
	case code == http.StatusBadRequest, code == http.StatusRequestEntityTooLarge,
		code == http.StatusUnsupportedMediaType, code == http.StatusUnprocessableEntity:
		return "", &Refused{err}
	}
	// The seconds form of RFC 9110, 10.2.3; the date form depends on two clocks and is ignored.
	if seconds, notSeconds := strconv.Atoi(answer.Header.Get("Retry-After")); notSeconds == nil && seconds > 0 {
		return "", &Busy{err, time.Duration(min(seconds, int(longestBusy/time.Second))) * time.Second}
	}
	return "", err
}
