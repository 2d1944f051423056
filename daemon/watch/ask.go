package watch

import (
	"context"
	"fmt"

	"nightcell/daemon/control"
)

// ask is an operator's request, carried out between two polls.
type ask struct {
	do   func(ctx context.Context) error
	done chan error
}

// ask hands do to the cell's goroutine and waits for it or for ctx. After an error do
// may still be under way, so it must not write to what its caller reads then; see answer.
func (c *Cell) ask(ctx context.Context, do func(context.Context) error) error {
	a := ask{do: do, done: make(chan error, 1)}
	select { // ends when the loop takes the request, which it does between polls, with the loop, or with ctx
	case c.asks <- a:
	case <-c.gone:
		return control.Refuse("the watch over cell %s has ended", c.settings.Cell)
	case <-ctx.Done():
		return fmt.Errorf("cell %s did not take the request in time: %w", c.settings.Cell, ctx.Err())
	}
	select { // ends when the loop is through with it, or with ctx
	case err := <-a.done:
		return err
	case <-ctx.Done():
		return fmt.Errorf("cell %s is still busy with the request: %w", c.settings.Cell, ctx.Err())
	}
}

// answer is ask for a request that has an answer. It is the zero T when the loop did not come to it in time.
func answer[T any](ctx context.Context, c *Cell, do func(context.Context) (T, error)) (T, error) {
	got := make(chan T, 1)
	err := c.ask(ctx, func(ctx context.Context) error {
		v, err := do(ctx)
		got <- v // has room for one
		return err
	})
	select {
	case v := <-got:
		return v, err
	default:
		var none T
		return none, err
	}
}
