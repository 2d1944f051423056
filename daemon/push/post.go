package push

import (
	"bytes"
	"compress/gzip"
	"context"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
)

// V1 returns the write endpoint of the InfluxDB 1.x form. retention may be empty.
func V1(server, database, retention string) string {
	q := url.Values{"db": {database}, "precision": {"ns"}}
	if retention != "" {
		q.Set("rp", retention)
	}
	return strings.TrimSuffix(server, "/") + "/write?" + q.Encode()
}

// V2 returns the write endpoint of the InfluxDB 2.x form.
func V2(server, org, bucket string) string {
	q := url.Values{"org": {org}, "bucket": {bucket}, "precision": {"ns"}}
	return strings.TrimSuffix(server, "/") + "/api/v2/write?" + q.Encode()
}

// refusal says that the database understood and will not take these lines, now or ever.
type refusal struct {
	status int
	text   string
}

func (r *refusal) Error() string {
	return fmt.Sprintf("the database refuses the lines: HTTP %d: %s", r.status, r.text)
}

// post sends lines in one request. Any error but a *refusal is worth trying again.
func (p *Push) post(ctx context.Context, lines [][]byte) error {
	var body bytes.Buffer
	if err := write(&body, lines, p.s.Gzip); err != nil {
		return err
	}
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.s.URL, &body)
	if err != nil {
		return fmt.Errorf("asking the database: %w", err)
	}
	for k, v := range p.s.Header {
		req.Header[k] = v
	}
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	if p.s.Gzip {
		req.Header.Set("Content-Encoding", "gzip")
	}
	resp, err := p.s.Client.Do(req)
	if err != nil {
		return fmt.Errorf("asking the database: %w", err)
	}
	answer, readErr := io.ReadAll(io.LimitReader(resp.Body, 500))
	closeErr := resp.Body.Close()
	text := strings.TrimSpace(string(answer))
	switch {
	case resp.StatusCode/100 == 2:
		if closeErr != nil {
			return fmt.Errorf("hearing the database out: %w", closeErr)
		}
		return nil
	case resp.StatusCode == http.StatusBadRequest, resp.StatusCode == http.StatusUnprocessableEntity, resp.StatusCode == http.StatusRequestEntityTooLarge:
		return &refusal{resp.StatusCode, text}
	case resp.StatusCode == http.StatusUnauthorized, resp.StatusCode == http.StatusForbidden:
		return fmt.Errorf("the database does not let nightcell write: HTTP %d: %s; mend the token or the password file", resp.StatusCode, text)
	case resp.StatusCode == http.StatusNotFound:
		return fmt.Errorf("the database or bucket does not exist: HTTP 404: %s; create it or mend its name", text)
	}
	if readErr != nil {
		return fmt.Errorf("the database answers HTTP %d: %w", resp.StatusCode, readErr)
	}
	return fmt.Errorf("the database answers HTTP %d: %s", resp.StatusCode, text)
}

// write puts lines into one body, compressed or not.
func write(to *bytes.Buffer, lines [][]byte, compressed bool) error {
	if !compressed {
		for _, l := range lines {
			to.Write(l)
		}
		return nil
	}
	z := gzip.NewWriter(to)
	for _, l := range lines {
		if _, err := z.Write(l); err != nil {
			return fmt.Errorf("compressing the lines: %w", err)
		}
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("compressing the lines: %w", err)
	}
	return nil
}
