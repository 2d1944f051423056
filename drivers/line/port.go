package line

import (
	"context"
	"time"
)

// port is what the owner drives. Only unstick may be called from another goroutine.
type port interface {
	// read waits for at least one byte; 0 and no error is a time-out. With wait 0 it takes only what is there.
	read(p []byte, wait time.Duration) (int, error)
	// write hands all of p to the system, or fails within wait.
	write(p []byte, wait time.Duration) error
	// unstick frees a write or close that the system will not end, and loses what it was sending.
	unstick()
	close() error
}

func openPort(ctx context.Context, s Settings) (port, error) {
	if s.tcp() {
		return openTCP(ctx, s)
	}
	return openSerial(s)
}
