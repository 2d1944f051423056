// Package linecharge holds only tests: whatever a bad line makes of a supply's
// answers, the charge that truly passed lies in the range that nightcell states.
//
// A scripted supply of known current answers over a socket; between it and the
// daemon's cell loop stands a mangler that delays, swaps, drops, flips, merges,
// echoes, doubles, freezes, saturates and garbles what the supply says, hangs up, or
// puts another instrument in its place. The driver, the coulometer, the rules for gaps
// and the run log are the real ones; the clock runs fast.
//
//	go test ./daemon/linecharge -v
//	go test ./daemon/linecharge -run AnyStream -rapid.checks=1000 -rapid.seed=7
//
// # What no reader of two numbers can tell
//
// The property is not that every lie is found. A wrong number that could be right
// is counted, and the stated range covers it only as far as it behaves like noise:
//
//   - A digit garbled into another digit that moves the current by less than a
//     hundredth of the supply's range passes for one reading. One of them, or a few of
//     either sign, lies within the sampling part of the uncertainty, which sees the
//     jump there and back. The same digit garbled the same way in every answer is a
//     constant error that nothing shows.
//   - A larger jump is measured again; the same wrong number twice running passes for
//     a jump of the cell, until the next reading.
//   - A supply that repeats its last answer (frozen) is believed. The charge is then
//     wrong by what the current moved meanwhile. The alarm reading-frozen says so in
//     time, on a meter whose last digit otherwise moves, but the range does not widen.
//   - A supply that saturates below a tenth above its set-point is believed.
//   - An instrument that takes the other's place without a break of the line, and without
//     a jump of its numbers, is found out at the next look at the status, ten polls or half a minute later.
//   - What happens between two readings that are closer than gap_after is bridged by
//     a straight line, unless answers were missing between them and the current is another
//     than before: then a gap is booked, as over any longer stretch, and its range holds whatever happened.
//
// TestWhatCannotBeTold shows what the frozen one costs, so that it does not move unseen.
package linecharge
