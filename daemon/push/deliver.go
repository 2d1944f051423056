package push

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"
)

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
		return fmt.Errorf("every line is refused, so none is set aside; mend the address or the database: %w", d.why)
	}
	for _, l := range d.refused {
		p.parcel.setAside(l.q)
		p.s.Log.Error("the database will never take this line, which is set aside; it stays in the log",
			"push", p.s.Name, "cell", l.q.cell, "line", shorten(p.parcel.text[l.from:l.to]), "err", d.why)
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
			return fmt.Errorf("over %d lines of one request are refused, so none is set aside; mend the address or the database: %w", mostRefused, err)
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
		d.p.parcel.setAside(l.q)
	}
	d.taken += len(lines) - why.old
	d.p.s.Log.Warn("lines older than what the database keeps are set aside; they stay in the log",
		"push", d.p.s.Name, "lines", why.old, "oldest", time.Unix(0, byAge[0].stamp).UTC(), "err", why)
}

func (d *delivery) halves(ctx context.Context, lines []span) error {
	half := len(lines) / 2
	if err := d.send(ctx, lines[:half]); err != nil {
		return err
	}
	return d.send(ctx, lines[half:])
}

func shorten(line []byte) string {
	if len(line) > 200 {
		line = line[:200]
	}
	return strings.TrimSpace(string(line))
}
