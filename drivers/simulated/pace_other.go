//go:build !linux

package simulated

import "time"

func sleep(d time.Duration) { time.Sleep(d) }
