package push

import (
	"bytes"
	"errors"
	"fmt"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

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

// numbersOnly takes the fields of text out of a sound line, for a database that can hold only numbers and would
// make a series of zeros of each. It returns nil when nothing is left to send.
func numbersOnly(line []byte) []byte {
	from := lineprotocol.NewDecoderWithBytes(line)
	var to lineprotocol.Encoder
	to.SetLax(true)
	from.Next()
	name, err := from.Measurement()
	to.StartLine(string(name))
	for err == nil {
		var key, value []byte
		if key, value, err = from.NextTag(); key == nil {
			break
		}
		to.AddTag(string(key), string(value))
	}
	numbers := 0
	for err == nil {
		var key []byte
		var value lineprotocol.Value
		if key, value, err = from.NextField(); key == nil {
			break
		}
		if value.Kind() != lineprotocol.String {
			numbers++
			to.AddField(string(key), value)
		}
	}
	stamp, late := from.TimeBytes()
	if errors.Join(err, late, to.Err()) != nil || numbers == 0 { // a sound line has no error
		return nil
	}
	return fmt.Appendf(to.Bytes(), " %s\n", stamp)
}
