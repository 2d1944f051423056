//go:build !windows

package main

import "context"

// asService does nothing here: systemd and launchd run a program as it is.
func asService(ctx context.Context, _ *shell) (context.Context, func(code int)) {
	return ctx, func(int) {}
}
