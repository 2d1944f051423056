package control

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/http"
	"net/url"
	"syscall"
)

// ErrNobody says that there is no daemon at a socket, so that nothing can have come of an order.
var ErrNobody = errors.New("nightcell is not running")

// mostAnswered bounds what a client reads.
const mostAnswered = 16 << 20

// Client is an Operator at the other end of a socket.
type Client struct {
	path string
	http *http.Client
}

var _ Operator = (*Client)(nil)

// NewClient returns a client of the daemon whose socket is at path. Nothing is connected yet.
func NewClient(path string) *Client {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", path)
	}
	return &Client{path, &http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true}}}
}

// Status asks the daemon for the state of every cell, in the order of its configuration.
func (c *Client) Status(ctx context.Context) ([]Cell, error) {
	return put[[]Cell](ctx, c, "status", struct{}{})
}

// Alarms asks for the alarms that are not in the normal state, most urgent first; an empty name means all cells.
func (c *Client) Alarms(ctx context.Context, cell string) ([]Alarm, error) {
	return put[[]Alarm](ctx, c, "alarms", CellOrder{Cell: cell})
}

// ChangeAlarm does to an alarm what the order says.
func (c *Client) ChangeAlarm(ctx context.Context, a AlarmOrder) error {
	return c.post(ctx, "alarm", a, nil)
}

// Enter writes into the run of a cell what a person saw or did. What contradicts the books
// comes back as an error of Contradiction, unless the entry says that it is certain.
func (c *Client) Enter(ctx context.Context, e Entry) (Entered, error) {
	return put[Entered](ctx, c, "enter", e)
}

// Settle replaces what is booked for a gap and returns what is booked now.
func (c *Client) Settle(ctx context.Context, s Settlement) (Settlement, error) {
	return put[Settlement](ctx, c, "settle", s)
}

// Off switches the output of a cell off and returns what was verified.
func (c *Client) Off(ctx context.Context, o CellOrder) (Outcome, error) {
	return put[Outcome](ctx, c, "off", o)
}

// Hold lowers the current of a cell to its holding current and returns what was verified.
func (c *Client) Hold(ctx context.Context, o CellOrder) (Outcome, error) {
	return put[Outcome](ctx, c, "hold", o)
}

// Step lowers the current of a cell by a small share, once, and returns voltage and current before and after.
func (c *Client) Step(ctx context.Context, s StepOrder) (StepResult, error) {
	return put[StepResult](ctx, c, "step", s)
}

// Drill sends a test notification over every route and returns how each was delivered.
func (c *Client) Drill(ctx context.Context, o CellOrder) ([]Receipt, error) {
	return put[[]Receipt](ctx, c, "drill", o)
}

// Begin implements Operator.
func (c *Client) Begin(ctx context.Context, b BeginOrder) ([]Check, error) {
	var out beginAnswer
	if err := c.post(ctx, "begin", b, &out); err != nil {
		return nil, err
	}
	if out.Problem != nil {
		return out.Checks, out.Problem
	}
	return out.Checks, nil
}

// put sends one order and returns the answer.
func put[Out any](ctx context.Context, c *Client, order string, in any) (out Out, err error) {
	err = c.post(ctx, order, in, &out)
	return out, err
}

// post sends one order and reads the answer into out, unless that is nil.
func (c *Client) post(ctx context.Context, order string, in, out any) error {
	body, err := json.Marshal(in)
	if err != nil {
		return fmt.Errorf("%s: %w", order, err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, "http://nightcell/v1/"+order, bytes.NewReader(body))
	if err != nil {
		return fmt.Errorf("%s: %w", order, err)
	}
	request.Header.Set("Content-Type", "application/json")
	response, err := c.http.Do(request)
	if err != nil {
		return c.explain(order, err)
	}
	defer response.Body.Close()
	data, err := io.ReadAll(io.LimitReader(response.Body, mostAnswered))
	if ctx.Err() != nil {
		return c.explain(order, ctx.Err())
	}
	if err != nil {
		return fmt.Errorf("%s: the daemon at %s cut its answer short: %w", order, c.path, err)
	}
	if response.StatusCode != http.StatusOK {
		var said struct {
			Error string `json:"error"`
		}
		if json.Unmarshal(data, &said) != nil || said.Error == "" {
			said.Error = fmt.Sprintf("%s: the daemon at %s answered with status %d", order, c.path, response.StatusCode)
		}
		return &Problem{Status: response.StatusCode, Text: said.Error}
	}
	if out == nil {
		return nil
	}
	if err := json.Unmarshal(data, out); err != nil {
		return fmt.Errorf("%s: the daemon's answer cannot be read: %w", order, err)
	}
	return nil
}

// explain says what to do about a socket that does not answer.
func (c *Client) explain(order string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%s: %w at %s; start `nightcell watch` with the same configuration", order, ErrNobody, c.path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s: the socket %s belongs to another user; run this command as the user that runs nightcell", order, c.path)
	}
	var inner *url.Error
	if errors.As(err, &inner) { // the address within is of no use to anybody
		err = inner.Err
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return &unanswered{fmt.Sprintf("%s: the daemon at %s did not answer in time; it may still execute the command, so check before repeating it", order, c.path), err}
	case errors.Is(err, context.Canceled):
		return &unanswered{fmt.Sprintf("%s: interrupted before the daemon at %s answered; it may still execute the command", order, c.path), err}
	}
	return fmt.Errorf("%s: asking the daemon at %s: %w", order, c.path, err)
}

// unanswered is an order whose outcome is not known.
type unanswered struct {
	text  string
	cause error
}

func (u *unanswered) Error() string { return u.text }
func (u *unanswered) Unwrap() error { return u.cause }
