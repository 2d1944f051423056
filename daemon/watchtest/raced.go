//go:build race

package watchtest

// Raced says that the race detector makes everything about ten times as slow as in the field.
const Raced = true
