package line

import (
	"context"
	"fmt"
	"time"
)

// port is what the owner drives. Only unstick may be called from another goroutine.
type port interface {
	// read waits for at least one byte; 0 and no error is a time-out. With wait 0 it takes only what is there.
	read(p []byte, wait time.Duration) (int, error)
	// write hands all of p to the system, or fails within wait.
	write(p []byte, wait time.Duration) error
	// others names the processes that have the port open besides this one, or opened it since the last question; "" when none is known of.
	others() string
	// unstick frees a call that the system will not end, loses what it was sending, and gives
	// up the claim on the device, so that it can be opened anew whatever becomes of the owner.
	unstick()
	close() error
}

// openPort opens the port, at the latest when ctx ends. An opening that the system will not end is
// left behind, and given back should it end after all.
func openPort(ctx context.Context, s Settings) (port, error) {
	if s.tcp() {
		return openTCP(ctx, s)
	}
	return openWithin(ctx, func() (port, error) { return openSerial(s) })
}

func openWithin(ctx context.Context, open func() (port, error)) (port, error) {
	type opened struct {
		port port
		err  error
	}
	done := make(chan opened, 1)
	go func() { // ends when the system lets it
		p, err := open()
		done <- opened{p, err}
	}()
	select { // ends with ctx at the latest
	case o := <-done:
		return o.port, o.err
	case <-ctx.Done():
		go func() { // ends after it
			if o := <-done; o.err == nil {
				_ = o.port.close() // nobody waits for it
			}
		}()
		return nil, fmt.Errorf("the system does not open the port; if it stays so, unplug the adapter: %w", ctx.Err())
	}
}
