package runlog

import (
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"time"

	"nightcell/drivers/lock"
)

// patience is how long a writer of late entries waits for another one; an entry takes milliseconds.
const patience = 5 * time.Second

// LateWriter writes entries beside the log of a run. No other process can while it is open, so that
// what was judged by what stands is written after just that. Use it from one goroutine.
type LateWriter struct {
	*Late
	Tail *Tail // where the log stands; nothing of it is mended

	fs     FS
	runDir string
	cell   string
	nanos  int64 // the newest time stamp in log and late entries
	lock   *lock.Lock
}

// OpenLate takes the lock of a run's late entries and reads what stands there and where the log ends.
func OpenLate(runDir string) (*LateWriter, error) {
	if _, err := os.Stat(filepath.Join(runDir, LogName)); err != nil { // before a lock is laid where no run is
		return nil, fmt.Errorf("looking for the run: %w; a run is a directory that holds %s", err, LogName)
	}
	var held *lock.HeldError
	for end := time.Now().Add(patience); ; {
		l, err := lock.Take(filepath.Join(runDir, "late.lock"))
		if errors.As(err, &held) && time.Now().Before(end) {
			<-time.After(20 * time.Millisecond)
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("another entry is being written: %w", err)
		}
		w, err := openLate(Disk{}, runDir)
		if err != nil {
			return nil, errors.Join(err, l.Release())
		}
		w.lock = l
		return w, nil
	}
}

func openLate(fsys FS, runDir string) (*LateWriter, error) {
	f, err := fsys.OpenFile(filepath.Join(runDir, LogName), os.O_RDONLY, 0)
	if err != nil {
		return nil, fmt.Errorf("opening the log of the run: %w", err)
	}
	t, err := readTail(f)
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("reading the end of the log: %w", err)
	}
	late, err := readLate(fsys, runDir)
	if err != nil {
		return nil, err
	}
	w := &LateWriter{Late: late, Tail: t.told(nil), fs: fsys, runDir: runDir, cell: t.cell, nanos: t.replay.LastNanos}
	if w.cell == "" {
		w.cell = filepath.Base(filepath.Dir(filepath.Clean(runDir)))
	}
	if n := len(late.Records); n > 0 {
		w.nanos = max(w.nanos, late.Records[n-1].Nanos)
	}
	return w, nil
}

// Cell names the cell of the run.
func (w *LateWriter) Cell() string { return w.cell }

// Append writes an entry and makes it durable. The record is as a reader will find it. The error says whether
// the entry may stand all the same; otherwise nothing has changed.
func (w *LateWriter) Append(utc time.Time, kind, text string, fields ...Field) (*Record, error) {
	var lines []byte
	sum, nanos := w.sum, max(utc.UnixNano(), w.nanos+1)
	if w.TornBytes > 0 {
		var err error
		if lines, sum, err = appendLate(lines, w.cell, sum, nanos, []Field{Text("kind", EntryTailCut),
			Text("text", "the end of the late entries was torn and is cut off"), Integer("at", w.Bytes), Integer("bytes", w.TornBytes), Text("cut", w.torn())}); err != nil {
			return nil, err
		}
		nanos++
	}
	lines, _, err := appendLate(lines, w.cell, sum, nanos, append([]Field{Text("kind", kind), Text("text", text)}, fields...))
	if err != nil {
		return nil, fmt.Errorf("nothing was entered: %w", err)
	}
	if err := w.write(lines); err != nil {
		return nil, err
	}
	late, err := readLate(w.fs, w.runDir)
	if err == nil && (len(late.Records) == 0 || late.Records[len(late.Records)-1].Nanos != nanos) {
		err = errors.New("the file holds something else")
	}
	if err != nil {
		return nil, fmt.Errorf("the entry was written and cannot be read back: %w", err)
	}
	w.Late, w.nanos = late, nanos
	return &late.Records[len(late.Records)-1], nil
}

// torn returns the beginning of what is about to be cut off: should a disk have spoiled an entry after all, its words are kept.
func (w *LateWriter) torn() string {
	const most = 4 << 10
	f, err := w.fs.OpenFile(filepath.Join(w.runDir, LateName), os.O_RDONLY, 0)
	if err != nil {
		return "" // writing tells
	}
	b := make([]byte, min(w.TornBytes, most))
	n, _ := f.ReadAt(b, w.Bytes)
	_ = f.Close() // nothing was written
	return string(b[:n])
}

// appendLate appends a line after one whose CRC-32C is sum, and returns the line's own.
func appendLate(b []byte, cell string, sum uint32, nanos int64, fields []Field) ([]byte, uint32, error) {
	start := len(b)
	head, err := lineHead(KindEntry, cell, beforeKey)
	if err != nil {
		return b, 0, err
	}
	b = append(fmt.Appendf(append(b, head...), "%d", sum), 'i')
	if b, err = appendSeal(b, start, nanos, fields); err != nil {
		return b, 0, err
	}
	if n := len(b) - start; n > longestLine {
		return b, 0, fmt.Errorf("a line of %d bytes is too long: %d are the most", n, longestLine)
	}
	return b, crc32.Checksum(b[start:], castagnoli), nil
}

// write puts lines behind the last whole one. What fails half-way is cut off again.
func (w *LateWriter) write(lines []byte) (err error) {
	path := filepath.Join(w.runDir, LateName)
	f, err := w.fs.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return fmt.Errorf("nothing was entered: %w", err)
	}
	begun := false
	defer func() {
		if err != nil {
			err = w.undo(f, begun, err)
		}
		_ = f.Close() // what counts is synced
	}()
	if info, err := f.Stat(); err != nil {
		return err
	} else if info.Size() != w.Bytes+w.TornBytes {
		return fmt.Errorf("%s was changed behind the back of this command", path)
	}
	if w.Bytes == 0 { // the file's name must be safe before anybody is told of what it holds
		if err := w.fs.SyncDir(w.runDir); err != nil {
			return err
		}
	}
	begun = true
	if w.TornBytes > 0 {
		if err := f.Truncate(w.Bytes); err != nil {
			return err
		}
	}
	if _, err := f.Seek(w.Bytes, io.SeekStart); err != nil {
		return err
	}
	if n, err := f.Write(lines); err != nil || n < len(lines) {
		return errors.Join(err, io.ErrShortWrite)
	}
	return f.Sync()
}

// undo cuts off again what was written before something failed.
func (w *LateWriter) undo(f File, begun bool, cause error) error {
	if begun {
		if err := errors.Join(f.Truncate(w.Bytes), f.Sync()); err != nil {
			return fmt.Errorf("the entry may stand all the same, so look at the list before it is entered again: %w", errors.Join(cause, err))
		}
	}
	return fmt.Errorf("nothing was entered: %w", cause)
}

// Close gives the lock back.
func (w *LateWriter) Close() error {
	if w.lock == nil {
		return nil
	}
	return w.lock.Release()
}
