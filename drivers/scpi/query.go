package scpi

import (
	"context"
	"errors"
	"time"

	"nightcell/drivers"
)

// query is one question about a channel, ready to send. A nil query is one that the dialect does not have.
type query struct {
	text   []byte
	key    string // the same
	unit   string
	parse  func(answer []byte, unit string) (float64, drivers.Reason)
	worked bool // has been answered at least once
}

func (s *Supply) query(text string, parse func([]byte, string) (float64, drivers.Reason), unit string) *query {
	if text == "" {
		return nil
	}
	return &query{text: []byte(text), key: text, parse: parse, unit: unit}
}

// read parses the answer to q, if its header does not tell that it is of another query.
func (s *Supply) read(q *query, answer []byte) (float64, drivers.Reason) {
	if !s.dialect.answers(answer, q.key) {
		return 0, drivers.Unasked
	}
	return q.parse(answer, q.unit)
}

// number asks q and parses its answer.
func (s *Supply) number(ctx context.Context, q *query, timeout time.Duration) (x float64, sent, received time.Time, err error) {
	answer, sent, received, err := s.ask(ctx, q.text, timeout)
	if err != nil {
		return 0, sent, received, err
	}
	x, why := s.read(q, answer)
	if why != "" {
		return 0, sent, received, s.refusal(why, q.text, answer)
	}
	q.worked = true
	return x, sent, received, nil
}

// note tells of a refusal that will be made good; false means that err is no refusal.
func (s *Supply) note(err error) bool {
	var r *drivers.Refusal
	if errors.Is(err, drivers.ErrGone) || !errors.As(err, &r) {
		return false
	}
	if s.settings.Noted != nil {
		s.settings.Noted(r)
	}
	return true
}

// optional asks what a supply's firmware may not know. A query that was never
// answered, while the supply otherwise answers well, is not known: that is
// learned once, and from then on ok is false without asking. An answer that came too late for the short first
// wait shows that the query is known but slow, and is waited for longer. A query that was
// answered before gets a second chance, and its failure is an error. A special
// value, such as an infinite protection level, is an answer but not a number: ok is false.
func (s *Supply) optional(ctx context.Context, q *query) (x float64, ok bool, err error) {
	if q == nil || s.knows.unknown[q.key] {
		return 0, false, nil
	}
	slow := false
	for try := 0; ; try++ {
		timeout := s.timeout()
		if !q.worked && !slow {
			timeout = s.probeTimeout()
		}
		answer, _, _, err := s.ask(ctx, q.text, timeout)
		if err == nil {
			x, why := s.read(q, answer)
			if why == "" || why == drivers.NotANumber || why == drivers.Overflow {
				q.worked = true
				return x, why == "", nil
			}
			err = s.refusal(why, q.text, answer)
		}
		if q.worked && try > 0 || !s.note(err) {
			return 0, false, err
		}
		before := s.late
		if err := s.ready(ctx); err != nil {
			return 0, false, err
		}
		slow = s.late > before
		if !q.worked && (s.rejected(ctx) || try > 0) {
			s.knows.unknown[q.key] = true
			return 0, false, nil
		}
	}
}

// probeTimeout is for what may stay unanswered: generous by what this supply takes
// to answer others, yet short enough to try several at attach.
func (in *instrument) probeTimeout() time.Duration {
	return min(in.timeout(), max(4*in.latency, 250*time.Millisecond))
}

// rejected looks for a command error (-100 to -199, SCPI-1999 volume 2, 21.8) in
// the error queue: the proof that the query before it is not known. It proves
// something only when the queue was empty before. Other entries are kept for Status.
func (s *Supply) rejected(ctx context.Context) bool {
	if !s.queueRead || s.queue == nil || s.knows.unknown[s.queue.key] {
		return false
	}
	entries, err := s.readQueue(ctx, s.timeout())
	proof := false
	for _, e := range entries {
		if n, _ := parseError([]byte(e)); n <= -100 && n > -200 {
			proof = true
			continue
		}
		s.pending = append(s.pending, e)
	}
	if err != nil {
		s.note(err)
		return false
	}
	return proof
}

// readQueue empties the error queue, oldest entry first. timeout is for each entry.
func (s *Supply) readQueue(ctx context.Context, timeout time.Duration) (entries []string, err error) {
	const most = 64 // no queue is longer; a supply that never ends is left alone
	for range most {
		answer, _, _, err := s.ask(ctx, s.queue.text, timeout)
		if err != nil {
			return entries, err
		}
		n, why := parseError(answer)
		if why != "" {
			return entries, s.refusal(why, s.queue.text, answer)
		}
		s.queue.worked = true
		if n == 0 {
			return entries, nil
		}
		entries = append(entries, drivers.Plain(string(answer)))
	}
	return entries, nil
}
