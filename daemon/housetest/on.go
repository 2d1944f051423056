//go:build race

package housetest

// Raced says whether the race detector is on.
const Raced = true
