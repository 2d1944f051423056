package push

import (
	"bytes"

	"nightcell/daemon/cursor"
)

// parcel is what one request carries: lines of several cells, and for each cell the
// cursor behind them.
type parcel struct {
	text  []byte // of the lines as they are sent
	lines []span
	ends  []*handover
}

// span is a line in the text of a parcel.
type span struct {
	from, to int
	q        *queue
	stamp    int64
}

// end is a place in a cell's logs.
type end struct {
	at      cursor.Cursor
	behind  int64 // bytes of the log that are still behind it
	damaged int   // pieces that were passed over because they are no lines
	why     error // of the last of them
}

// handover is one cell's part of a parcel.
type handover struct {
	q            *queue
	to           end
	lines, aside int
}

func (p *parcel) reset() { p.text, p.lines, p.ends = p.text[:0], p.lines[:0], p.ends[:0] }

// add appends a line with the tags put behind the measurement's name.
func (p *parcel) add(q *queue, line, tags []byte, stamp int64) {
	from := len(p.text)
	i := bytes.IndexAny(line, ", ")
	p.text = append(p.text, line[:i]...)
	p.text = append(p.text, tags...)
	p.text = append(p.text, line[i:]...)
	p.lines = append(p.lines, span{from, len(p.text), q, stamp})
}

// close ends a cell's part.
func (p *parcel) close(q *queue, to end) {
	h := &handover{q: q, to: to}
	for i := len(p.lines) - 1; i >= 0 && p.lines[i].q == q; i-- {
		h.lines++
	}
	p.ends = append(p.ends, h)
}

// oldest is the time stamp of a cell's first line in the parcel, 0 when there is none.
func (p *parcel) oldest(q *queue) int64 {
	stamp := int64(0)
	for i := len(p.lines) - 1; i >= 0 && p.lines[i].q == q; i-- {
		stamp = p.lines[i].stamp
	}
	return stamp
}

// setAside counts a line that the database will never take.
func (p *parcel) setAside(q *queue) {
	for _, h := range p.ends {
		if h.q == q {
			h.aside++
		}
	}
}

// numbersOnly takes the fields of text out of a sound line, in place, for a database that can hold only numbers and would
// make a series of zeros of each. It returns nil when nothing is left to send.
func numbersOnly(line []byte) []byte {
	line = bytes.TrimLeft(line, " ") // which a decoder passes over
	begin := unescaped(line, ' ') + 1
	kept := line[:begin]
	rest := line[begin:]
	for {
		end, text := field(rest)
		if !text {
			if len(kept) > begin {
				kept = append(kept, ',')
			}
			kept = append(kept, rest[:end]...) // never behind where rest begins, because fields only leave
		}
		if rest[end] != ',' {
			rest = rest[end:] // the time stamp
			break
		}
		rest = rest[end+1:]
	}
	if len(kept) == begin {
		return nil
	}
	return append(kept, rest...)
}

// field returns where the first field ends, and whether it is text.
func field(b []byte) (end int, text bool) {
	at := unescaped(b, '=') + 1
	if b[at] != '"' {
		return at + bytes.IndexAny(b[at:], ", "), false
	}
	for at++; b[at] != '"'; at++ {
		if b[at] == '\\' {
			at++
		}
	}
	return at + 1, true
}

// unescaped returns the place of the first c that is not escaped. In names a backslash escapes only what ends them; before anything else, a
// backslash too, it stands for itself.
func unescaped(b []byte, c byte) int {
	for i := 0; ; i++ {
		switch b[i] {
		case '\\':
			if next := b[i+1]; next == ' ' || next == ',' || next == '=' {
				i++
			}
		case c:
			return i
		}
	}
}
