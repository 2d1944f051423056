//go:build !windows && !linux

package main

import "context"

func easeTimers() {}

// asService does nothing here: systemd and launchd run a program as it is.
func asService(ctx context.Context, _ *shell) (context.Context, func(code int)) {
	return ctx, func(int) {}
}
