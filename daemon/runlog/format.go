package runlog

import (
	"bytes"
	"fmt"
	"io"
)

// Format is the newest form of a log that this program reads and writes. A later one says so in the first line, by the integer
// field format; a log without the field is of the first form. Golden runs of every form lie in testdata/formats.
const Format = 1

const formatField = "format"

// NewerError says that a later program has written a log.
type NewerError struct{ Format int64 }

func (e *NewerError) Error() string {
	return fmt.Sprintf("a newer nightcell has written this log, in form %d; this one reads forms up to %d. Use the newer one; the log is left as it is", e.Format, Format)
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
	if form, says := r.Integer(formatField); says && form > Format {
		return &NewerError{form}
	}
	return nil
}
