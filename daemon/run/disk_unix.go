//go:build unix

package run

import (
	"math"

	"golang.org/x/sys/unix"
)

// freeBytes is the space that is left for the run log, NaN when it cannot be told.
func freeBytes(dir string) float64 {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return math.NaN()
	}
	return float64(st.Bavail) * float64(st.Bsize)
}
