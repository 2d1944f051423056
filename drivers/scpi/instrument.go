package scpi

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

// instrument is what the channels of one supply share: the line, and what is known
// about the place in the conversation.
type instrument struct {
	mu      sync.Mutex // held for a whole transaction, so that channels do not mix
	line    *line.Line // nil once gone
	lost    error      // why
	dialect Dialect
	knows   *knowledge

	identity   drivers.Identity
	anchor     []byte          // the query whose answer never changes
	known      []byte          // that answer
	unsure     bool            // something odd came: find the place before trusting an answer
	probation  bool            // the place was lost a moment ago: prove it once more after the next reading
	refusals   uint64          // counts every refusal
	shared     *drivers.Shared // who else had the port when the newest exchange failed; nil: nobody known
	late       uint64          // counts what came while the place was sought, before the answer that shows it
	vain       int             // searches for the place in a row that found nothing
	answers    uint64          // on the line when the first of them began
	yields     time.Time       // until then it is silent and not asked, for the sake of other units on the line
	unanswered uint64          // counts searches' questions that brought no answer at all
	ended      time.Time       // when the last exchange ended
	latency    time.Duration   // longest time to an answer of the anchor, its characters not counted
	buf        []byte

	queueRead bool     // the error queue has been emptied once, so what it holds now is new
	pending   []string // error entries read on the way, for the next Status
}

// knowledge is what was learned about a supply's firmware, kept when its line is opened anew.
type knowledge struct {
	unknown  map[string]bool // queries it does not know
	separate bool            // it does not answer the combined query
}

// refusal notes that the place is not certain any more, and makes the error.
func (in *instrument) refusal(why drivers.Reason, query, answer []byte) *drivers.Refusal {
	in.unsure = true
	in.refusals++
	return &drivers.Refusal{Reason: why, Query: string(query), Answer: shorten(answer), Shared: in.shared}
}

func shorten(b []byte) string {
	const most = 60
	if len(b) > most {
		return string(b[:most]) + "…"
	}
	return string(b)
}

// ask sends one query and returns one line in answer, valid until the next ask.
func (in *instrument) ask(ctx context.Context, query []byte, timeout time.Duration) (answer []byte, sent, received time.Time, err error) {
	if in.line == nil {
		return nil, sent, received, in.lost
	}
	if err := in.rest(ctx); err != nil {
		return nil, sent, received, err
	}
	answer, sent, received, err = in.line.Exchange(ctx, query, in.buf, timeout)
	in.buf = answer[:0]
	in.ended = time.Now()
	if err != nil {
		return nil, sent, received, in.failed(err, query)
	}
	in.shared = nil
	switch {
	case len(answer) == 0:
		return nil, sent, received, in.refusal(drivers.Blank, query, nil)
	case bytes.Equal(answer, query):
		return nil, sent, received, in.refusal(drivers.Echo, query, answer)
	}
	return answer, sent, received, nil
}

// failed turns an error of the line into a refusal, or gives the line up.
func (in *instrument) failed(err error, query []byte) error {
	var incomplete *line.Incomplete
	var stray *line.Stray
	in.shared = nil
	errors.As(err, &in.shared)
	switch {
	case errors.As(err, &incomplete):
		return in.refusal(drivers.NoReply, query, []byte(incomplete.Got))
	case errors.As(err, &stray):
		return in.refusal(drivers.Unasked, query, []byte(stray.Got))
	case errors.Is(err, drivers.ErrGone):
		return in.lose(err)
	}
	in.unsure = true // the caller gave up, and the answer may still come
	return err
}

// lose closes a broken line at once, because an adapter that comes back gets its
// old name only when nobody holds the old port any more.
func (in *instrument) lose(err error) error {
	if in.line != nil {
		if cerr := in.line.Close(); cerr != nil {
			err = fmt.Errorf("%w; and %w", err, cerr)
		}
		in.line, in.lost = nil, err
	}
	return err
}

// command sends what has no answer.
func (in *instrument) command(ctx context.Context, msg []byte) error {
	if in.line == nil {
		return in.lost
	}
	if err := in.rest(ctx); err != nil {
		return err
	}
	err := in.line.Send(ctx, msg)
	in.ended = time.Now()
	if err != nil {
		return in.failed(err, msg)
	}
	if in.dialect.Protocol != "" && len(msg) > 0 { // it was acknowledged
		in.yields = time.Time{}
	}
	return nil
}

// rest waits until the pause since the last exchange is over.
func (in *instrument) rest(ctx context.Context) error {
	left := time.Duration(in.dialect.Pause) - time.Since(in.ended)
	if in.dialect.Pause == 0 || left <= 0 {
		return nil
	}
	return drivers.Rest(ctx, left)
}

func (in *instrument) timeout() time.Duration { return time.Duration(in.dialect.Timeout) }
