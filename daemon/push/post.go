package push

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"nightcell/configs"
)

// Endpoint returns the write endpoint of a server, in the InfluxDB 1.x or 2.x form.
func Endpoint(c *configs.Push, server string) string {
	path, q := "/write", url.Values{"db": {c.Database}, "precision": {"ns"}}
	if c.Retention != "" {
		q.Set("rp", c.Retention)
	}
	if c.Form == "v2" {
		path, q = "/api/v2/write", url.Values{"org": {c.Org}, "bucket": {c.Bucket}, "precision": {"ns"}}
	}
	return strings.TrimSuffix(server, "/") + path + "?" + q.Encode()
}

// refusalError says that the database understood and will not take these lines.
type refusalError struct {
	status   int
	text     string
	tooLarge bool
	old      int // how many lines are older than what the database keeps; the others were written
}

func (r *refusalError) Error() string {
	return fmt.Sprintf("the database refuses the lines: HTTP %d: %s", r.status, r.text)
}

// post sends lines in one request. Any error but a *refusalError is worth trying again.
func (p *Push) post(ctx context.Context, lines []span) error {
	text := p.parcel.text[lines[0].from:lines[len(lines)-1].to] // lines stand one behind the other
	// A body of its own, because a client may read from it even after the answer came.
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, p.s.URL, bytes.NewReader(bytes.Clone(text)))
	if err != nil {
		return fmt.Errorf("asking the database: %w", withoutURL(err))
	}
	req.Header.Set("Content-Type", "text/plain; charset=utf-8")
	if p.s.Authorization != nil {
		header, err := p.s.Authorization()
		if err != nil {
			return fmt.Errorf("authorizing with the database: %w", err)
		}
		if header != "" {
			req.Header.Set("Authorization", header)
		}
	}
	resp, err := p.s.Client.Do(req)
	if err != nil {
		return fmt.Errorf("asking the database: %w", withoutURL(err))
	}
	answer, readErr := io.ReadAll(io.LimitReader(resp.Body, 500))
	_ = resp.Body.Close() // the status has said it all
	if readErr != nil && resp.StatusCode != http.StatusNoContent {
		return fmt.Errorf("the database answers HTTP %d: %w", resp.StatusCode, readErr)
	}
	return verdict(resp, strings.TrimSpace(string(answer)))
}

// verdict is what an answer means. Only 204 says that lines were written; other
// statuses of success come from what is no database, such as a login page.
func verdict(resp *http.Response, text string) error {
	switch code := resp.StatusCode; code {
	case http.StatusNoContent:
		return nil
	case http.StatusBadRequest, http.StatusUnprocessableEntity:
		return &refusalError{status: code, text: text, old: tooOld(text)}
	case http.StatusRequestEntityTooLarge:
		return &refusalError{status: code, text: text, tooLarge: true}
	case http.StatusUnauthorized, http.StatusForbidden:
		return fmt.Errorf("the database denies writing: HTTP %d: %s; correct the token or the password file", code, text)
	case http.StatusNotFound:
		return fmt.Errorf("the database or bucket does not exist: HTTP 404: %s; create it, or correct its name or the address", text)
	default:
		if code < 400 {
			return fmt.Errorf("HTTP %d instead of 204; correct the address", code)
		}
	}
	return fmt.Errorf("the database answers HTTP %d: %s", resp.StatusCode, text)
}

var dropped = regexp.MustCompile(`\bdropped[= ](\d+)`)

// tooOld reads how many lines a database has dropped because it keeps nothing as old,
// as both forms say it: "partial write: points beyond retention policy dropped=2".
func tooOld(text string) int {
	m := dropped.FindStringSubmatch(text)
	if m == nil || !strings.Contains(text, "retention policy") {
		return 0
	}
	n, _ := strconv.Atoi(m[1]) // digits; too many of them are 0, and the answer a plain refusal
	return n
}

// withoutURL takes the address out of an error, because it may hold a secret.
func withoutURL(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}

// mostRefused is how many lines of one request the database may refuse before it and
// not the lines is thought to be at fault.
const mostRefused = 16

// deliver sends the parcel. Lines that the database refuses for what they are get
// parted from the others and set aside, but only when it takes others of the same
// request: if it takes none, or refuses many, the address or the database is thought to be
// wrong. Then the error says so, and all lines wait.
func (p *Push) deliver(ctx context.Context) error {
	d := delivery{p: p}
	if err := d.send(ctx, p.parcel.lines); err != nil {
		return err
	}
	if len(d.refused) > 0 && d.taken == 0 {
		return fmt.Errorf("every line is rejected, so none is dropped; correct the address or the database: %w", d.why)
	}
	for _, l := range d.refused {
		l.q.aside++
		line := p.parcel.text[l.from:l.to]
		p.s.Log.Error("the database rejects this line; skipped, it stays in the log",
			"push", p.s.Name, "cell", l.q.cell, "line", strings.TrimSpace(string(line[:min(len(line), 200)])), "err", d.why)
	}
	return nil
}

// delivery is the sending of one parcel, in parts if need be.
type delivery struct {
	p       *Push
	taken   int
	refused []span
	why     error // the newest refusal
}

// send posts lines, and parts them while they are refused.
func (d *delivery) send(ctx context.Context, lines []span) error {
	if len(lines) > d.p.most { // found too large meanwhile
		return d.halves(ctx, lines)
	}
	err := d.p.post(ctx, lines)
	var refused *refusalError
	switch {
	case err == nil:
		d.taken += len(lines)
		return nil
	case !errors.As(err, &refused):
		return err
	case refused.old > 0 && refused.old <= len(lines):
		d.passOver(lines, refused)
		return nil
	case refused.tooLarge:
		d.p.most = min(d.p.most, max(1, len(lines)/2))
	}
	if len(lines) == 1 {
		d.refused, d.why = append(d.refused, lines[0]), err
		if len(d.refused) > mostRefused {
			return fmt.Errorf("over %d lines of one request are rejected, so none is dropped; correct the address or the database: %w", mostRefused, err)
		}
		return nil
	}
	return d.halves(ctx, lines)
}

// passOver sets aside the oldest of lines, which the database does not keep: it has
// written the others, and waiting would not make these younger.
func (d *delivery) passOver(lines []span, why *refusalError) {
	byAge := slices.SortedStableFunc(slices.Values(lines), func(a, b span) int { return cmp.Compare(a.stamp, b.stamp) })
	for _, l := range byAge[:why.old] {
		l.q.aside++
	}
	d.taken += len(lines) - why.old
	d.p.s.Log.Warn("lines older than the database's retention are skipped; they stay in the log",
		"push", d.p.s.Name, "lines", why.old, "oldest", time.Unix(0, byAge[0].stamp).UTC(), "err", why)
}

func (d *delivery) halves(ctx context.Context, lines []span) error {
	half := len(lines) / 2
	if err := d.send(ctx, lines[:half]); err != nil {
		return err
	}
	return d.send(ctx, lines[half:])
}
