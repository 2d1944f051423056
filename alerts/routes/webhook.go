package routes

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"net/http"
	"time"
)

// The headers of a signed webhook. The signature is the base64 HMAC-SHA256 (RFC
// 2104, FIPS 180-4) of the signing time as it stands in its header, a line feed, and the body.
const (
	SignatureHeader = "Nightcell-Signature"
	SignedAtHeader  = "Nightcell-Signed-At"
)

// WebhookSettings describe where events are posted.
type WebhookSettings struct {
	Name string
	// URL may hold a token, so it is a secret: errors name its host only.
	URL   Secret
	Event EventSettings
	// Key signs each post when it is set.
	Key Secret
	// CAFile is a PEM file of authorities to trust besides the system's.
	CAFile string
	// Headers are sent as they are, such as an authorization.
	Headers map[string]Secret
}

// Webhook posts each notice as a CloudEvent in structured JSON. Certificates are
// always verified and redirections never followed, because a POST that turned
// into a GET would look delivered.
type Webhook struct {
	settings WebhookSettings
	caller   *caller
}

// NewWebhook checks the settings and returns the route. Nothing is sent.
func NewWebhook(s WebhookSettings) (*Webhook, error) {
	if err := s.Event.validate(); err != nil {
		return nil, fmt.Errorf("route %s: %w", s.Name, err)
	}
	c, err := newCaller(s.URL, s.CAFile)
	if err != nil {
		return nil, fmt.Errorf("route %s: %w", s.Name, err)
	}
	return &Webhook{s, c}, nil
}

// Name implements Route.
func (w *Webhook) Name() string { return w.settings.Name }

// Deliver implements Route. Any status 2xx is proof of delivery.
func (w *Webhook) Deliver(ctx context.Context, n Notice) (Proof, error) {
	body, err := w.settings.Event.encode(n)
	if err != nil {
		return "", err
	}
	request, err := w.caller.request(ctx, http.MethodPost, bytes.NewReader(body))
	if err != nil {
		return "", err
	}
	request.Header.Set("Content-Type", eventMediaType)
	for name, value := range w.settings.Headers {
		request.Header.Set(name, value.Reveal())
	}
	if !w.settings.Key.IsZero() {
		at := time.Now().UTC().Format(time.RFC3339)
		request.Header.Set(SignedAtHeader, at)
		request.Header.Set(SignatureHeader, Sign(w.settings.Key, at, body))
	}
	return w.caller.do(request)
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
