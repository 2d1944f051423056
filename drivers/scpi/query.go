package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"nightcell/drivers"
)

// query is one question about a channel, ready to send. A nil query is one that the dialect does not have.
type query struct {
	text   []byte
	key    string // the same
	unit   string
	parse  parser
	worked bool // has been answered at least once
}

// parser reads an answer with that unit behind it; the reason says why it is no number.
type parser func(answer []byte, unit string) (float64, drivers.Reason)

func (s *Supply) query(text string, parse parser, unit string) *query {
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
		if !q.worked && (q != s.queue && s.rejected(ctx) || try > 0) {
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
	known := len(s.pending)
	err := s.emptyQueue(ctx)
	others := slices.DeleteFunc(s.pending[known:], func(e string) bool {
		n, _ := parseError([]byte(e))
		return n <= -100 && n > -200
	})
	proof := known+len(others) < len(s.pending)
	s.pending = s.pending[:known+len(others)]
	if err != nil {
		s.note(err)
		return false
	}
	return proof
}

// emptyQueue moves the entries of the error queue to pending, oldest first.
func (s *Supply) emptyQueue(ctx context.Context) error {
	const most = 64 // no queue is longer; a supply that never ends is left alone
	for range most {
		n, ok, err := s.optional(ctx, s.queue)
		if err != nil {
			return err
		}
		if !ok || n == 0 {
			break
		}
	}
	s.queueRead = s.queueRead || s.queue != nil && s.queue.worked
	return nil
}

// queued reads an entry of the error queue as its number and keeps it for the next Status.
func (s *Supply) queued(b []byte, _ string) (float64, drivers.Reason) {
	n, why := parseError(b)
	if n != 0 {
		s.pending = append(s.pending, drivers.Plain(string(b)))
	}
	return float64(n), why
}

const (
	anchorTries = 3  // attempts to find the place, or to learn who answers
	silentTries = 2  // of them without any answer, the second after ending a half-heard message
	yielding    = 4  // time-outs that the other units on a line have for themselves after a vain search for one that is silent
	silentLimit = 20 // vain searches in a row after which the line is given up, lest a hung adapter or a dead socket stay open
)

// ready makes sure that the next answer on the line will be that of the next query. It tells of a
// search that found the place only after silence: the supply may have been without power.
func (s *Supply) ready(ctx context.Context) error {
	before := s.unanswered
	err := s.instrument.ready(ctx)
	if err == nil && s.unanswered > before {
		s.note(&drivers.Refusal{Reason: drivers.NoReply, Query: string(s.anchor), Shared: s.shared})
	}
	return err
}

// ready does the same without telling.
func (in *instrument) ready(ctx context.Context) error {
	if in.line == nil {
		return in.lost
	}
	if !in.unsure {
		return nil
	}
	if time.Now().Before(in.yields) {
		return in.refusal(drivers.NoReply, in.anchor, nil)
	}
	return in.resync(ctx)
}

// resync finds the place in the conversation: it drains the line, asks the query
// whose answer is known, and drops everything that comes before that answer. A
// supply answers in order, so whatever was late has come by then.
func (in *instrument) resync(ctx context.Context) error {
	var other []byte
	var last *drivers.Refusal
	silent := 0
	for try := 0; try < anchorTries && silent < silentTries; try++ {
		if try > 0 && !in.dialect.Echo {
			if err := in.command(ctx, nil); err != nil { // an empty message ends a half-heard one
				return err
			}
		}
		if len(in.line.Drain(time.Duration(in.dialect.Quiet))) > 0 {
			in.late++
		}
		found, stranger, err := in.findAnchor(ctx)
		if err != nil {
			return err
		}
		if found {
			in.unsure, in.probation, in.vain = false, true, 0
			return nil
		}
		if stranger != nil && bytes.Equal(stranger, other) {
			r := in.refusal(drivers.Misidentified, in.anchor, stranger)
			return in.lose(fmt.Errorf("%w; %w", r, drivers.ErrGone))
		}
		other = bytes.Clone(stranger)
		if stranger != nil {
			last = in.refusal(drivers.Unasked, in.anchor, stranger)
		} else {
			last = in.refusal(drivers.NoReply, in.anchor, nil)
			silent++
			in.unanswered++
		}
	}
	if silent == silentTries && in.line.Shared() {
		in.yields = time.Now().Add(yielding * in.timeout())
	}
	if in.vain == 0 {
		in.answers = in.line.Answers()
	}
	if in.vain++; in.vain >= silentLimit {
		if in.line.Answers() == in.answers { // nor did another unit
			in.line.Break()
		}
		return in.lose(fmt.Errorf("%w, %d searches in a row; reopening the line may help: %w", last, in.vain, drivers.ErrGone))
	}
	return last
}

// findAnchor asks the anchor and reads until its known answer comes, after which
// the line must be quiet. Otherwise it returns the last answer that had the same
// number of fields, which may be that of another instrument.
func (in *instrument) findAnchor(ctx context.Context) (found bool, stranger []byte, err error) {
	if err := in.rest(ctx); err != nil {
		return false, nil, err
	}
	deadline := time.Now().Add(in.timeout())
	answer, _, _, err := in.line.Exchange(ctx, in.anchor, in.buf, in.timeout())
	for ; ; answer, err = in.line.Next(ctx, in.buf, time.Until(deadline)) {
		in.buf = answer[:0]
		in.ended = time.Now()
		if err != nil {
			err = in.failed(err, in.anchor)
			var r *drivers.Refusal
			if errors.As(err, &r) {
				return false, stranger, nil
			}
			return false, nil, err
		}
		if bytes.Equal(answer, in.known) {
			late := in.line.Drain(time.Duration(in.dialect.Quiet))
			return len(bytes.Trim(late, "\r\n\x00")) == 0, nil, nil
		}
		if len(answer) > 0 {
			in.late++
		}
		if commas(answer) == commas(in.known) && commas(answer) > 0 {
			stranger = bytes.Clone(answer)
			deadline = time.Now().Add(in.probeTimeout()) // most likely nothing else comes
		}
		if !time.Now().Before(deadline) {
			return false, stranger, nil
		}
	}
}

func commas(b []byte) int { return bytes.Count(b, []byte{','}) }

// prove asks the anchor in the ordinary way. Any other answer than the known one
// means that answers have shifted, so that what was read before it cannot be trusted.
func (in *instrument) prove(ctx context.Context) error {
	answer, _, _, err := in.ask(ctx, in.anchor, in.timeout())
	if err != nil {
		return err
	}
	if !bytes.Equal(answer, in.known) {
		return in.refusal(drivers.Unasked, in.anchor, answer)
	}
	return nil
}

// greet learns who answers: two equal answers in a row, so that a garbled one is
// not believed. Nothing is changed on the supply.
func (in *instrument) greet(ctx context.Context) error {
	in.line.Drain(time.Duration(in.dialect.Quiet))
	var previous []byte
	var last error
	silent := 0
	for range anchorTries + 1 {
		answer, sent, received, err := in.ask(ctx, in.anchor, in.timeout())
		if r, ok := errors.AsType[*drivers.Refusal](err); ok {
			last = in.hint(r)
			previous = nil
			if silent++; silent == silentTries && r.Reason == drivers.NoReply {
				break
			}
			in.line.Drain(time.Duration(in.dialect.Quiet))
			continue
		}
		if err != nil {
			return err
		}
		if previous != nil && bytes.Equal(answer, previous) {
			in.known = previous
			in.unsure = false
			in.latency = received.Sub(sent)
			return in.learnIdentity(ctx)
		}
		previous = bytes.Clone(answer)
		last = in.refusal(drivers.Misidentified, in.anchor, answer)
	}
	return fmt.Errorf("no supply answers as expected: %w", last)
}

// learnIdentity keeps the identity, which is the anchor's answer unless the dialect has another anchor.
func (in *instrument) learnIdentity(ctx context.Context) error {
	answer := in.known
	switch {
	case in.dialect.Identify == "":
		return nil
	case in.dialect.Identify != string(in.anchor):
		var err error
		if answer, _, _, err = in.ask(ctx, []byte(in.dialect.Identify), in.timeout()); err != nil {
			return err
		}
	}
	in.identity = drivers.ParseIdentity(string(answer))
	return nil
}

// hint adds to a refused first answer what is most likely wrong.
func (in *instrument) hint(r *drivers.Refusal) error {
	switch {
	case in.dialect.Protocol != "":
		return fmt.Errorf("%w; check unit, protocol and the address of the register in the dialect, and where nothing comes at all the supply, both wires of the line and its baud rate", r)
	case r.Reason == drivers.NoReply && r.Answer == "":
		return fmt.Errorf("%w; check that the supply is on, its interface chosen, the cable right (crossed or straight) and the baud rate that of its menu", r)
	case r.Reason == drivers.NoReply && bytes.HasSuffix([]byte(r.Answer), []byte{'\r'}):
		return fmt.Errorf("%w; its answers end in a carriage return: set reply_terminator = \"\\r\"", r)
	case r.Reason == drivers.NoReply:
		return fmt.Errorf("%w; text that makes no sense means a wrong baud rate or parity, text that does a wrong reply_terminator", r)
	case r.Reason == drivers.Echo:
		return fmt.Errorf("%w; the line returns what is sent: set echo = true, or repair a cable that joins both wires", r)
	}
	return r
}
