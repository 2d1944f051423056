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

	"nightcell/alerts/routes"
)

// ErrNobody says that there is no daemon at a socket, so that nothing can have come of an order.
var ErrNobody = errors.New("nightcell is not running")

// mostAnswered bounds what a client reads.
const mostAnswered = 16 << 20

// client is the other end of a socket.
type client struct {
	path string
	http *http.Client
}

// Dial returns what the daemon whose socket is at path may be asked. Nothing is connected yet.
func Dial(path string) *Operator {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		return (&net.Dialer{}).DialContext(ctx, "unix", path)
	}
	c := &client{path, &http.Client{Transport: &http.Transport{DialContext: dial, DisableKeepAlives: true}}}
	status, alarms, change := put[struct{}, []Cell](c, "status"), put[CellOrder, []Alarm](c, "alarms"), put[AlarmOrder, struct{}](c, "alarm")
	return &Operator{
		Status:      func(ctx context.Context) ([]Cell, error) { return status(ctx, struct{}{}) },
		Alarms:      func(ctx context.Context, cell string) ([]Alarm, error) { return alarms(ctx, CellOrder{Cell: cell}) },
		ChangeAlarm: func(ctx context.Context, a AlarmOrder) error { _, err := change(ctx, a); return err },
		Enter:       put[Entry, Entered](c, "enter"), Begin: put[BeginOrder, []Check](c, "begin"),
		Off: put[CellOrder, Outcome](c, "off"), Hold: put[CellOrder, Outcome](c, "hold"),
		Drill: put[CellOrder, []routes.Receipt](c, "drill"), Step: put[StepOrder, StepResult](c, "step"),
	}
}

// put makes what sends one kind of order and returns the answer.
func put[In, Out any](c *client, order string) func(context.Context, In) (Out, error) {
	return func(ctx context.Context, in In) (out Out, err error) {
		err = c.post(ctx, order, in, &out)
		return out, err
	}
}

// post sends one order and reads the answer into out, that of a refusal as well.
func (c *client) post(ctx context.Context, order string, in, out any) error {
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
		said := refused{Answer: out}
		if json.Unmarshal(data, &said) != nil || said.Error == "" {
			said.Error = fmt.Sprintf("%s: the daemon at %s answered with status %d", order, c.path, response.StatusCode)
		}
		return &Problem{Status: response.StatusCode, Text: said.Error}
	}
	if err := json.Unmarshal(data, out); err != nil {
		return fmt.Errorf("%s: the daemon's answer cannot be read: %w", order, err)
	}
	return nil
}

// explain says what to do about a socket that does not answer.
func (c *client) explain(order string, err error) error {
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ECONNREFUSED):
		return fmt.Errorf("%s: %w at %s; start `nightcell watch` with the same configuration", order, ErrNobody, c.path)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s: the socket %s belongs to another user; run this command as the user that runs nightcell", order, c.path)
	}
	if inner, ok := errors.AsType[*url.Error](err); ok { // the address within is of no use to anybody
		err = inner.Err
	}
	switch {
	case errors.Is(err, context.DeadlineExceeded):
		return unanswered(err, "%s: the daemon at %s did not answer in time; it may still execute the command, so check before repeating it", order, c.path)
	case errors.Is(err, context.Canceled):
		return unanswered(err, "%s: interrupted before the daemon at %s answered; it may still execute the command", order, c.path)
	}
	return fmt.Errorf("%s: asking the daemon at %s: %w", order, c.path, err)
}

// unanswered is the error of an order whose outcome is not known.
func unanswered(cause error, format string, args ...any) error {
	return &Problem{http.StatusGatewayTimeout, fmt.Sprintf(format, args...), fmt.Errorf("%w", cause)}
}
