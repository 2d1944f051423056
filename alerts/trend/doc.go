// Package trend holds the statistics by which a cell is watched: the control
// charts (EWMA and tabular CUSUM), straight-line slopes with their standard
// uncertainty, robust level and spread, noise from successive differences, the
// history of one-minute blocks, and the corridor that is learned for a cell after its warm-up.
//
// Nothing here has a clock, a goroutine or an allocation of its own while it
// runs. Every type is a plain value: copying it copies all it knows, so that a
// restart continues exactly where the copy was taken. The zero value of each is
// ready to use unless its comment says otherwise. Inputs must be finite; the callers see to that.
package trend
