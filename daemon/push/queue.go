package push

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
)

// queue is one cell's logs as the database has yet to get them.
type queue struct {
	s       Settings
	cell    string
	dir     string // of the cell's runs
	at      cursor.Cursor
	refused uint64
	oldest  int64 // time stamp of the first line that is not acknowledged, 0: none
}

// batch is some whole lines and the cursor behind them.
type batch struct {
	lines [][]byte
	end   cursor.Cursor
}

func openQueue(s Settings, cell string) (*queue, error) {
	q := &queue{s: s, cell: cell, dir: cursor.CellDir(s.Data, cell)}
	text, err := os.ReadFile(cursorPath(s, cell))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		q.at, err = startOf(q.dir)
		return q, err
	case err != nil:
		return nil, fmt.Errorf("reading the cursor: %w", err)
	}
	if q.at, err = cursor.Parse(string(bytes.TrimSpace(text))); err != nil {
		return nil, fmt.Errorf("%s: %w; delete the file to send the newest run from its beginning", cursorPath(s, cell), err)
	}
	return q, nil
}

// advance moves the cursor, durably.
func (q *queue) advance(to cursor.Cursor) error {
	path := cursorPath(q.s, q.cell)
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		return fmt.Errorf("saving the cursor: %w", err)
	}
	if err := q.s.Save(path, []byte(to.String()+"\n")); err != nil {
		return fmt.Errorf("saving the cursor: %w", err)
	}
	q.at, q.oldest = to, 0
	return nil
}

// batch reads the next lines, at most so many, from where the cursor stands. A run
// that is through leads on to the next one.
func (q *queue) batch(most int, tags []byte) (batch, error) {
	for {
		if q.at.Run != "" {
			b, err := q.read(most, tags)
			if err != nil || b.end != q.at {
				return b, err
			}
		}
		names, err := cursor.Runs(q.dir)
		if err != nil {
			return batch{}, err
		}
		next := ""
		for _, n := range names {
			if n > q.at.Run {
				next = n
				break
			}
		}
		if next == "" {
			return batch{end: q.at}, nil
		}
		q.at = cursor.Cursor{Run: next}
	}
}

// read takes whole lines from the present run. Checkpoints are nightcell's own memory
// and not sent; anything that is no line at all is left for the database to refuse.
func (q *queue) read(most int, tags []byte) (b batch, err error) {
	b.end = q.at
	f, err := os.Open(filepath.Join(q.dir, q.at.Run, runlog.LogName))
	if errors.Is(err, fs.ErrNotExist) {
		return b, nil
	}
	if err != nil {
		return b, fmt.Errorf("opening the log: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	buf := make([]byte, mostBytes)
	n, err := f.ReadAt(buf, q.at.Offset)
	if err != nil && !errors.Is(err, io.EOF) {
		return b, fmt.Errorf("reading the log: %w", err)
	}
	buf = buf[:n]
	for len(b.lines) < most {
		i := bytes.IndexByte(buf, '\n')
		if i < 0 {
			break
		}
		line := buf[:i+1]
		buf = buf[i+1:]
		b.end.Offset += int64(i + 1)
		if skipped(line) {
			continue
		}
		if len(b.lines) == 0 {
			q.oldest = stampOf(line)
		}
		b.lines = append(b.lines, tagged(line, tags))
	}
	if n == mostBytes && b.end == q.at { // no line end in a megabyte: not a line, pass over it
		b.end.Offset += int64(n)
	}
	return b, nil
}

func skipped(line []byte) bool {
	return len(bytes.TrimSpace(line)) == 0 || bytes.HasPrefix(line, []byte(runlog.KindCheckpoint))
}

// tagged puts tags behind the measurement's name.
func tagged(line, tags []byte) []byte {
	i := bytes.IndexAny(line, ", ")
	if len(tags) == 0 || i < 0 {
		return line
	}
	out := make([]byte, 0, len(line)+len(tags))
	out = append(out, line[:i]...)
	out = append(out, tags...)
	return append(out, line[i:]...)
}

// stampOf reads the time stamp at the end of a line, 0 when there is none.
func stampOf(line []byte) int64 {
	line = bytes.TrimSpace(line)
	n, err := strconv.ParseInt(string(line[bytes.LastIndexByte(line, ' ')+1:]), 10, 64)
	if err != nil {
		return 0
	}
	return n
}

// lag is the age of the oldest line that is not acknowledged.
func (q *queue) lag() time.Duration {
	if q.oldest == 0 {
		return 0
	}
	return max(0, time.Since(time.Unix(0, q.oldest)))
}
