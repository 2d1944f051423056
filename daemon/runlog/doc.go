// Package runlog keeps the log of a run: an append-only file of InfluxDB line
// protocol that any tool can read while it grows, and that nightcell itself can
// resume, replay, verify and export. It survives kills, power cuts and full
// disks, and names what it cannot vouch for by byte range.
//
// A run lives in <data>/runs/<cell>/<UTC begin>/ with run.toml, the frozen
// configuration, and log.lp. Time stamps in a log strictly increase. Every line is
// written by one write(2). A line of the kind "checkpoint" carries everything the
// coulometer remembers, the CRC-32C and length of the bytes since the checkpoint
// before (crc, bytes), and a CRC-32C of itself (line_crc: over the line up to
// the comma before line_crc, followed by the digits of the time stamp).
//
// A log that was removed, replaced or cut while it was written is left behind: another
// begins in a folder of its own, with an entry "anew" and a checkpoint of everything.
package runlog

import (
	"bytes"
	"fmt"
	"io"
)

// Kind is what a line of the log records; it is the line's measurement.
type Kind string

// The kinds of lines.
const (
	KindReading    Kind = "reading"
	KindGap        Kind = "gap" // stands just before the reading that ends it
	KindAlarm      Kind = "alarm"
	KindNotice     Kind = "notice"
	KindEntry      Kind = "entry"
	KindOutput     Kind = "output"
	KindCheckpoint Kind = "checkpoint"
)

// The kinds of entries that the log itself writes or obeys. Others are the operator's.
const (
	EntryBegin   = "begin"    // with the settings of the coulometer
	EntryEnd     = "end"      // the run is over; nothing is counted after it
	EntryZero    = "zero"     // amperes, standard_uncertainty
	EntryCheck   = "check"    // factor, standard_uncertainty
	EntrySettle  = "settle"   // index, low, best, high
	EntryMeter   = "meter"    // a second meter came or changed: meter_gain and its fellows
	EntryTailCut = "tail-cut" // a torn end was removed: at, bytes
	EntryDamage  = "damage"   // unreadable lines were found on resuming: from, to
	EntryLost    = "lost"     // the backlog was full: lines, readings
	EntryAnew    = "anew"     // the log before was removed or replaced, and the checkpoint that follows carries its totals: before
	EntryDoubt   = "doubt"    // a checkpoint contradicted the readings before it on resuming: at
)

// The names of the files of a run.
const (
	LogName    = "log.lp"
	FrozenName = "run.toml"
)

// Format is the newest form of a log, of late entries and of a ledger that this program reads and writes. A later one says so in the
// first line, late entries and ledgers, which go on over versions, in every line, by the integer field format; what is without the
// field is of the first form. The second form is that of a run with a second meter. Where that came during a run, its entry says so, and so do the
// checkpoints from then on. Golden files of every form lie in testdata/formats.
const Format = 2

const formatField = "format"

// NewerError says that a later program has written a file.
type NewerError struct{ Format int64 }

func (e *NewerError) Error() string {
	return fmt.Sprintf("a newer nightcell has written this file, in form %d; this one reads forms up to %d. Use the newer one; the file is left as it is", e.Format, Format)
}

// readable refuses the log of a later program before anything is read of it, or written into it.
func readable(f io.ReaderAt) error {
	head := make([]byte, 4<<10) // a begin entry has a few hundred bytes
	n, err := f.ReadAt(head, 0)
	if n == 0 && err != nil {
		return nil // an empty log is of no form, and a disk in trouble is told by who reads on
	}
	line, _, whole := bytes.Cut(head[:n], []byte("\n"))
	var r Record
	if !whole || new(decoder).decode(line, &r) != nil {
		return nil // damage, which is told as such
	}
	return r.readable()
}

// readable refuses a line that names a later form.
func (r *Record) readable() error {
	if form, says := r.Integer(formatField); says && form > Format {
		return &NewerError{form}
	}
	return nil
}
