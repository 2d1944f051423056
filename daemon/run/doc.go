// Package run is one charge from begin to finish: readings, entries, what the clocks say and what the supply
// says of itself go in; lines of the run log, notices, the figures of a snapshot and decisions for the hands come
// out. It holds no cell, no port, no context, no goroutine and no clock, so that a night runs through it in a test.
package run
