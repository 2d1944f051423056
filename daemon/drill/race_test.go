//go:build race

package drill_test

// The race detector makes the physics ten times slower and has nothing to find in a
// single goroutine, so it sees a sample.
const (
	ordinarySeeds  = 1
	ordinaryNights = 7
)
