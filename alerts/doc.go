// Package alerts keeps the watch over one cell: it judges, reading by reading,
// which conditions hold, leads each through the alarm lifecycle of IEC 62682, and says in
// plain words what is likeliest wrong, on what evidence, and what to do first.
//
// A Board is fed Observations by one goroutine and answers with Changes. It has no
// clock, no file and no goroutine of its own: the same observations give the same changes, and
// a Board restored from its Memory goes on as if it had never stopped. What becomes of a
// change (run log, notice, output) is the caller's business; Hands.Decide only says what the operator allowed and asked for.
//
// All numbers are float64 in SI base units; an optional number that is not known is NaN.
package alerts
