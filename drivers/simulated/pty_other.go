//go:build !(linux || darwin || freebsd || netbsd || openbsd)

package simulated

import (
	"context"
	"fmt"
	"runtime"
)

// Serve needs pseudo-terminals, which this system does not have.
func Serve(_ context.Context, _ *Instrument, _ string) (*PTY, error) {
	return nil, fmt.Errorf("simulated: %s has no pseudo-terminals; run the simulated supply on Linux or macOS", runtime.GOOS)
}
