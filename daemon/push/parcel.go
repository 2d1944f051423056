package push

import (
	"bytes"

	"nightcell/daemon/runlog"
)

// parcel is what one request carries: lines of several cells.
type parcel struct {
	text  []byte // of the lines as they are sent
	lines []span
}

// span is a line in the text of a parcel.
type span struct {
	from, to int
	q        *queue
	stamp    int64
}

// end is a place in a cell's logs.
type end struct {
	at      runlog.Cursor
	behind  int64 // bytes of the log that are still behind it
	damaged int   // pieces that were passed over because they are no lines
	why     error // of the last of them
}

// add appends a line with the tags put behind the measurement's name.
func (p *parcel) add(q *queue, line, tags []byte, stamp int64) {
	from := len(p.text)
	i := bytes.IndexAny(line, ", ")
	p.text = append(p.text, line[:i]...)
	p.text = append(p.text, tags...)
	p.text = append(p.text, line[i:]...)
	p.lines = append(p.lines, span{from, len(p.text), q, stamp})
	if q.lines++; q.lines == 1 {
		q.first = stamp
	}
}
