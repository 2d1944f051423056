//go:build !linux

package simulated

import (
	"os"
	"time"
)

func sleep(d time.Duration) { time.Sleep(d) }

// runsAt does not look at the terminal's settings here.
func runsAt(*os.File, int) bool { return true }
