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
	"sync"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/daemon/cursor"
	"nightcell/daemon/runlog"
)

const (
	firstRead = 64 << 10 // of a log at once, as long as that holds a whole line
	longest   = 1 << 20  // bytes without a line end are no line
)

// queue is one cell's logs as the database has yet to get them. Only the goroutine
// of Run touches what is above mu.
type queue struct {
	cell string
	dir  string        // of the cell's runs
	at   cursor.Cursor // behind what the database has acknowledged
	// saved is the cursor as it stands in the file, and mark the checksum of the bytes before it.
	saved cursor.Cursor
	mark  string

	mu     sync.Mutex
	health Health
	oldest int64 // time stamp of the first line that is not acknowledged, 0: none
	unread bool  // the log could not be read at the last look
}

func newQueue(data, cell string) *queue {
	return &queue{cell: cell, dir: cursor.CellDir(data, cell)}
}

// advance moves the cursor to what the database has acknowledged.
func (q *queue) advance(to end) {
	q.at = to.at
	q.mu.Lock()
	defer q.mu.Unlock()
	q.oldest = 0
	q.health.WaitingBytes = max(0, to.behind)
}

// take puts the next lines of a cell into the parcel, at most so many. A run that
// is through leads on to the next one.
func (p *Push) take(q *queue, most int) error {
	to := end{at: q.at}
	for {
		if to.at.Run != "" {
			if err := p.read(q, &to, most); err != nil {
				return err
			}
			if to.at != q.at {
				break
			}
		}
		next, err := nextRun(q.dir, to.at.Run)
		if err != nil {
			return err
		}
		if next == "" {
			break
		}
		// Only now is it sure that nothing more comes to the run before: look at it once more.
		if to.at.Run != "" {
			if err := p.read(q, &to, most); err != nil {
				return err
			}
			if to.at != q.at {
				break
			}
		}
		to = end{at: cursor.Cursor{Run: next}}
	}
	if to.at != q.at {
		p.parcel.close(q, to)
	}
	return nil
}

// nextRun names the first run after one, empty when there is none.
func nextRun(dir, after string) (string, error) {
	names, err := cursor.Runs(dir)
	if err != nil {
		return "", err
	}
	for _, n := range names {
		if n > after {
			return n, nil
		}
	}
	return "", nil
}

// read takes whole lines from a run and moves to behind them. Checkpoints are
// nightcell's own memory and not sent; what is no line at all, such as the zeros
// that a power cut leaves, is set aside here and stays in the log.
func (p *Push) read(q *queue, to *end, most int) (err error) {
	f, err := os.Open(filepath.Join(q.dir, to.at.Run, runlog.LogName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("opening the log: %w", err)
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	info, err := f.Stat()
	if err != nil {
		return fmt.Errorf("measuring the log: %w", err)
	}
	if info.Size() < to.at.Offset { // a power cut took what was sent; what replaces it is other
		p.s.Log.Warn("the log is shorter than what was sent; the run is sent anew", "push", p.s.Name, "cell", q.cell, "run", to.at.Run)
		to.at.Offset = 0
	}
	if info.Size() == to.at.Offset {
		return nil
	}
	chunk, err := p.chunk(f, to.at.Offset)
	if err != nil {
		return err
	}
	start := to.at.Offset
	for taken := 0; taken < most && len(p.parcel.text) < mostBytes; {
		i := bytes.IndexByte(chunk[to.at.Offset-start:], '\n')
		if i < 0 {
			break
		}
		line := chunk[to.at.Offset-start:][:i+1]
		to.at.Offset += int64(i + 1)
		if bytes.HasPrefix(line, []byte(runlog.KindCheckpoint+",")) {
			continue
		}
		if err := sound(line); err != nil {
			to.damaged++
			p.s.Log.Error("no line of line protocol is not sent; it stays in the log",
				"push", p.s.Name, "cell", q.cell, "run", to.at.Run, "byte", to.at.Offset-int64(i+1), "err", err)
			continue
		}
		p.parcel.add(q, line, p.tags)
		taken++
	}
	if to.at.Offset == start && len(chunk) == longest {
		to.at.Offset += longest // whatever this is, it is no line
		to.damaged++
	}
	to.behind = info.Size() - to.at.Offset
	q.owes(p.parcel.oldest(q), info.Size()-start)
	return nil
}

// chunk reads from a log at an offset, as much as holds one whole line.
func (p *Push) chunk(f io.ReaderAt, offset int64) ([]byte, error) {
	for {
		n, err := f.ReadAt(p.buf, offset)
		if err != nil && !errors.Is(err, io.EOF) {
			return nil, fmt.Errorf("reading the log at byte %d: %w", offset, err)
		}
		if n < len(p.buf) || len(p.buf) == longest || bytes.IndexByte(p.buf[:n], '\n') >= 0 {
			return p.buf[:n], nil
		}
		p.buf = make([]byte, longest)
	}
}

// sound says why a line is none.
func sound(line []byte) error {
	d := lineprotocol.NewDecoderWithBytes(line)
	if !d.Next() {
		return errors.New("it is empty")
	}
	if _, err := d.Measurement(); err != nil {
		return err
	}
	for {
		k, _, err := d.NextTag()
		if err != nil {
			return err
		}
		if k == nil {
			break
		}
	}
	for {
		k, _, err := d.NextField()
		if err != nil {
			return err
		}
		if k == nil {
			break
		}
	}
	if b, err := d.TimeBytes(); err != nil {
		return err
	} else if len(b) == 0 {
		return errors.New("it has no time stamp")
	}
	return nil
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
