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
	// recent and safe are where it stood less and more than settleTime ago.
	recent, safe cursor.Cursor
	// saved is the cursor as it stands in the file, and mark the checksum of the bytes before it.
	saved  cursor.Cursor
	mark   string
	behind int64 // bytes of its log that waited at the last look

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
	q.health.SetAside += uint64(to.damaged)
}

// take puts the next lines of a cell into the parcel, at most so many. A run that
// is through leads on to the next one.
func (p *Push) take(q *queue, most int) error {
	to := end{at: q.at}
	for before := len(p.parcel.lines); ; {
		if to.at.Run != "" {
			if err := p.read(q, &to, most-(len(p.parcel.lines)-before)); err != nil {
				return err
			}
			if len(p.parcel.lines)-before >= most || len(p.parcel.text) >= mostBytes {
				break
			}
			// Half a line may be left, which matters no more once there is a later run.
		}
		next, err := nextRun(q.dir, to.at.Run)
		if err != nil {
			return err
		}
		if next == "" {
			break
		}
		// Only now is it sure that nothing more comes to the run before: look at it once more.
		last := to.at
		if to.at.Run != "" {
			if err := p.read(q, &to, most-(len(p.parcel.lines)-before)); err != nil {
				return err
			}
		}
		if to.at == last {
			to.at = cursor.Cursor{Run: next}
		}
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
	start := to.at.Offset
	for room := most; room > 0 && len(p.parcel.text) < mostBytes; {
		chunk, err := p.chunk(f, to.at.Offset)
		if err != nil {
			return err
		}
		lines, bytes := p.pick(q, chunk, to, room)
		if bytes == 0 {
			break
		}
		room -= lines
		to.at.Offset += int64(bytes)
	}
	to.behind = info.Size() - to.at.Offset
	q.behind = to.behind
	q.owes(p.parcel.oldest(q), info.Size()-start)
	return nil
}

// pick moves whole lines of a chunk into the parcel, at most so many, and returns how
// many it took and how many bytes it is through with.
func (p *Push) pick(q *queue, chunk []byte, to *end, most int) (lines, through int) {
	for lines < most && len(p.parcel.text) < mostBytes {
		i := bytes.IndexByte(chunk[through:], '\n')
		if i < 0 {
			break
		}
		line := chunk[through : through+i+1]
		through += i + 1
		if bytes.HasPrefix(line, []byte(runlog.KindCheckpoint+",")) {
			continue
		}
		if err := sound(line); err != nil {
			to.damaged++
			to.why = fmt.Errorf("in the line before byte %d: %w", to.at.Offset+int64(through), err)
			continue
		}
		if p.s.NumbersOnly {
			if line = numbersOnly(line); line == nil {
				continue
			}
		}
		p.parcel.add(q, line, p.tags)
		lines++
	}
	if through == 0 && len(chunk) == longest {
		to.damaged++
		to.why = fmt.Errorf("no line end for 1 MiB before byte %d", to.at.Offset+longest)
		return 0, longest
	}
	return lines, through
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
