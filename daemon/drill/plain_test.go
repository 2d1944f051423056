//go:build !race

package drill_test

// How much the ordinary test run drills; the flags ask for more.
const (
	ordinarySeeds  = 20
	ordinaryNights = 56
)
