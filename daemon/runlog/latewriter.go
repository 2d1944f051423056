package runlog

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"nightcell/drivers/lock"
)

// Patience is how long a writer of late entries waits for another one; an entry takes milliseconds.
const Patience = 5 * time.Second

// LateWriter writes entries beside the log of a run. No other process can while it is open, so that
// what was judged by what stands is written after just that. Use it from one goroutine.
type LateWriter struct {
	*Late
	Tail *Tail // where the log stands; nothing of it is mended

	fs   FS
	path string
	lock *lock.Lock
}

// OpenLate takes the lock of a run's late entries and reads what stands there and where the log ends.
func OpenLate(runDir string) (*LateWriter, error) {
	if _, err := os.Stat(filepath.Join(runDir, LogName)); err != nil { // before a lock is laid where no run is
		return nil, fmt.Errorf("looking for the run: %w; a run is a directory that holds %s", err, LogName)
	}
	return locked(filepath.Join(runDir, "late.lock"), Patience, func() (*LateWriter, error) { return openLate(Disk{}, runDir) })
}

// OpenLedger takes the lock of a ledger and reads what stands there; a ledger that does not exist begins with its first entry. wait is
// how long another writer is waited for. Entries stand as late entries do, under the name of the ledger in place of a cell's.
func OpenLedger(dir, name string, wait time.Duration) (*LateWriter, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, fmt.Errorf("making the ledger: %w", err)
	}
	return locked(filepath.Join(dir, "ledger.lock"), wait, func() (*LateWriter, error) { return openLedger(Disk{}, dir, name) })
}

func openLedger(fsys FS, dir, name string) (*LateWriter, error) {
	l, err := readLate(fsys, filepath.Join(dir, LedgerName))
	return &LateWriter{Late: l, Tail: &Tail{Cell: name}, fs: fsys, path: filepath.Join(dir, LedgerName)}, err
}

// locked opens a writer under a lock that is waited for.
func locked(path string, wait time.Duration, open func() (*LateWriter, error)) (*LateWriter, error) {
	var held *lock.HeldError
	for end := time.Now().Add(wait); ; {
		l, err := lock.Take(path)
		if errors.As(err, &held) && time.Now().Before(end) {
			<-time.After(20 * time.Millisecond)
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("another entry is being written: %w", err)
		}
		w, err := open()
		if err != nil {
			return nil, errors.Join(err, l.Release())
		}
		w.lock = l
		return w, nil
	}
}

func openLate(fsys FS, runDir string) (*LateWriter, error) {
	tail, err := tailOf(fsys, runDir)
	if err != nil {
		return nil, err
	}
	path := filepath.Join(runDir, LateName)
	late, err := readLate(fsys, path)
	return &LateWriter{Late: late, Tail: tail, fs: fsys, path: path}, err
}

// Append writes an entry and makes it durable. The record is as a reader will find it. After an error the entry may
// stand or not, but nothing else has changed.
func (w *LateWriter) Append(utc time.Time, kind, text string, fields ...Field) (*Record, error) {
	late, nanos := w.Late, max(utc.UnixNano(), w.Tail.LastNanos+1)
	if n := len(late.data); n > 0 && late.data[n-1] != '\n' { // not ours: it stays, as damage
		late = parseLate(append(slices.Clip(late.data), '\n'))
	}
	if n := len(late.Records); n > 0 {
		nanos = max(nanos, late.Records[n-1].Nanos+1)
	}
	line, err := lineHead(KindEntry, w.Tail.Cell, beforeKey)
	if err == nil {
		line = append(strconv.AppendUint(line, uint64(late.sum), 10), 'i')
		line, err = appendSeal(line, 0, nanos, append([]Field{Text("kind", kind), Text("text", text)}, fields...))
	}
	if err != nil {
		return nil, fmt.Errorf("nothing was entered: %w", err)
	}
	late = parseLate(append(slices.Clip(late.data), line...))
	if err := WriteFileAtomic(w.fs, w.path, late.data, 0o640); err != nil {
		return nil, fmt.Errorf("the entry is not safe on the disk; look at the list before it is made again: %w", err)
	}
	w.Late = late
	return &late.Records[len(late.Records)-1], nil
}

// Close gives the lock back.
func (w *LateWriter) Close() error {
	if w.lock == nil {
		return nil
	}
	return w.lock.Release()
}
