package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
)

// longestLine bounds what is taken for a line; more bytes without a line feed are damage.
const longestLine = 1 << 20

// Damage is a range of bytes in a log that cannot be read or vouched for. As an
// error of Reader.Next it stands for a line that is none; the reader has passed it.
type Damage struct {
	From   int64  `json:"from_byte"`
	To     int64  `json:"to_byte"` // excluded
	Reason string `json:"reason"`
}

func (d *Damage) Error() string {
	return fmt.Sprintf("bytes %d to %d are damaged: %s", d.From, d.To, d.Reason)
}

// Reader reads a log line by line, while it grows if need be. It only ever
// returns whole lines. Its byte offset is a cursor that stays valid, because a
// log is only appended to.
type Reader struct {
	f          io.ReadSeekCloser
	buf        []byte
	start, end int   // what of buf is not yet consumed
	offset     int64 // of buf[start] in the file
	decoder    decoder
	line       []byte // the last one consumed, with its line feed
	crc        uint32 // CRC-32C of the lines consumed since ResetSum, without the last
	crcLine    uint32 // the same with the last
}

// Open opens the log of a run directory for reading, at its beginning.
func Open(runDir string) (*Reader, error) { return open(Disk{}, runDir) }

func open(fsys FS, runDir string) (*Reader, error) {
	f, err := openLog(fsys, runDir)
	if err != nil {
		return nil, err
	}
	return newReader(f, 128<<10), nil
}

// openLog opens the log of a run for reading, if this program can read it.
func openLog(fsys FS, runDir string) (File, error) {
	f, err := fsys.OpenFile(filepath.Join(runDir, LogName), os.O_RDONLY, 0)
	if err != nil {
		return nil, fmt.Errorf("opening the log of a run: %w; %s", err, Remedy(err, isRun))
	}
	if err := readable(f); err != nil {
		return nil, errors.Join(fmt.Errorf("%s: %w", runDir, err), f.Close())
	}
	return f, nil
}

// showTo writes what is read to seen as well; nil: nobody wants it.
func (r *Reader) showTo(seen io.Writer) {
	if seen != nil {
		r.f = struct {
			io.Reader
			io.Seeker
			io.Closer
		}{io.TeeReader(r.f, seen), r.f, r.f}
	}
}

func newReader(f io.ReadSeekCloser, buffer int) *Reader {
	return &Reader{f: f, buf: make([]byte, buffer)}
}

// Close closes the file.
func (r *Reader) Close() error { return r.f.Close() }

// Offset returns the byte offset after the last line returned: the cursor from
// which a later reader goes on.
func (r *Reader) Offset() int64 { return r.offset }

// SeekTo moves to a cursor. One beyond the end, which a power cut can leave behind,
// moves to the end; one inside a line moves back to the beginning of that line.
func (r *Reader) SeekTo(offset int64) error {
	size, err := r.f.Seek(0, io.SeekEnd)
	if err != nil {
		return fmt.Errorf("measuring the log: %w", err)
	}
	r.start, r.end, r.offset = 0, 0, 0
	offset = min(max(offset, 0), size)
	for block := int64(256); offset > 0; block *= 16 {
		// The byte before a cursor is a line feed; look for the nearest one.
		from := max(offset-block, 0)
		if _, err := r.f.Seek(from, io.SeekStart); err != nil {
			return fmt.Errorf("moving in the log: %w", err)
		}
		b := make([]byte, offset-from)
		if _, err := io.ReadFull(r.f, b); err != nil {
			return fmt.Errorf("reading the log at byte %d: %w", from, err)
		}
		if i := bytes.LastIndexByte(b, '\n'); i >= 0 {
			r.offset = from + int64(i) + 1
			break
		}
		if from == 0 {
			break
		}
	}
	return r.Resume(r.offset)
}

// Resume moves to an offset that an earlier reader of the same log returned, which
// may lie behind bytes that were no line. Only SeekTo mends one that is none.
func (r *Reader) Resume(offset int64) error {
	r.start, r.end, r.offset = 0, 0, offset
	if _, err := r.f.Seek(offset, io.SeekStart); err != nil {
		return fmt.Errorf("moving in the log: %w", err)
	}
	return nil
}

// at is the offset of the line last read.
func (r *Reader) at() int64 { return r.offset - int64(len(r.line)) }

// Line returns the line that Next read last, as it stands in the log with its line
// feed. It is valid until the next call of Next.
func (r *Reader) Line() []byte { return r.line }

// Next reads the next line into rec. It returns io.EOF when no whole line is
// left; called again after the log has grown it goes on. A *Damage error tells of
// a line that is none; call Next again to go on after it. Any other error is the disk's.
func (r *Reader) Next(rec *Record) error {
	line, err := r.nextLine()
	if err != nil {
		return err
	}
	if err := r.decoder.decode(line[:len(line)-1], rec); err != nil {
		return &Damage{r.at(), r.offset, err.Error()}
	}
	return nil
}

// nextLine consumes a line with its line feed; it is valid until the next call. Bytes that are too many for a line are damage up to the next
// line feed or the end of the file.
func (r *Reader) nextLine() ([]byte, error) {
	from, searched, long := r.offset, 0, false
	for {
		if i := bytes.IndexByte(r.buf[r.start+searched:r.end], '\n'); i >= 0 {
			if r.line = r.consume(searched + i + 1); !long {
				return r.line, nil
			}
			break
		}
		searched = r.end - r.start
		if long = long || searched >= longestLine; long {
			r.consume(searched)
			searched = 0
		}
		if err := r.fill(); err != nil && (!long || !errors.Is(err, io.EOF)) {
			return nil, err
		} else if err != nil {
			break
		}
	}
	r.line = nil
	return nil, &Damage{from, r.offset, "no line feed for over 1 MiB"}
}

// consume takes so many bytes out of the buffer.
func (r *Reader) consume(n int) []byte {
	b := r.buf[r.start : r.start+n]
	r.start += n
	r.offset += int64(n)
	r.crc = r.crcLine
	r.crcLine = crc32.Update(r.crcLine, castagnoli, b)
	return b
}

// fill reads more behind what is not yet consumed.
func (r *Reader) fill() error {
	if r.start > 0 {
		copy(r.buf, r.buf[r.start:r.end])
		r.start, r.end = 0, r.end-r.start
	}
	if r.end == len(r.buf) {
		r.buf = append(r.buf, make([]byte, len(r.buf))...)
	}
	n, err := r.f.Read(r.buf[r.end:])
	r.end += n
	if n > 0 {
		return nil
	}
	if err == nil || errors.Is(err, io.EOF) {
		return io.EOF
	}
	return fmt.Errorf("reading the log at byte %d: %w", r.offset+int64(r.end-r.start), err)
}

// dropLine takes the line last read out of the sum, and returns its length.
func (r *Reader) dropLine() int64 {
	r.crcLine = r.crc
	return int64(len(r.line))
}
