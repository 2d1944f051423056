package runlog

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"nightcell/integrate"
)

// Options says how a log is written. The zero value is safe: every line is made
// durable before the call returns.
type Options struct {
	// Sync is the longest time for which readings may be written but not durable. A
	// process that is killed loses none of them; a power cut loses at most these, and the
	// time they cover becomes a gap. Zero: every line is synced. Notices, entries and
	// outputs are synced at once, with all that stands before them, because somebody is told of them.
	Sync time.Duration
	// CheckpointEvery is how often CheckpointDue asks for a checkpoint; 0: one minute. It also
	// asks when 256 KiB were written since the last, so that resuming stays quick.
	CheckpointEvery time.Duration
	// BacklogBytes bounds the memory for lines that the disk does not take; 0: 16 MiB, which
	// holds a day and a half of readings at one per second. The last eighth is kept
	// for lines other than readings. What does not fit is counted and an entry "lost" says so.
	BacklogBytes int
	FS           FS               // nil: the machine's
	Now          func() time.Time // nil: time.Now; only for the pace of the above, and for entries the log makes itself
}

const (
	checkpointBytes = 256 << 10
	retryEvery      = time.Second // a failing disk is tried again
)

func (o Options) filled() Options {
	o.CheckpointEvery = cmp.Or(o.CheckpointEvery, time.Minute)
	o.BacklogBytes = cmp.Or(o.BacklogBytes, 16<<20)
	o.FS = cmp.Or[FS](o.FS, Disk{})
	if o.Now == nil {
		o.Now = time.Now
	}
	return o
}

// Health says whether the log reaches the disk.
type Health struct {
	Cause        error // why lines wait in memory; nil: they do not
	BacklogBytes int   // that wait
	LostLines    int64 // that found no room, since this writer began
	LostReadings int64 // among them
}

// Writer appends to the log of one run. A disk that fails never stops it: lines
// then wait in memory and are written when the disk takes them again. Use it from one goroutine.
type Writer struct {
	o      Options
	runDir string
	cell   string
	frozen []byte // run.toml, until it is written
	head   []byte // of every reading's line

	file    File // nil: to be opened
	isMade  bool // the directory's entries are durable
	cut     bool // the file must end at base before anything is written
	base    int64
	looked  int64  // how far the log reached at the last Look
	pending []byte // from base on: written but not durable, then not yet written
	written int    // how much of pending is written

	urgent bool // sync as soon as all is written

	crc   uint32 // of the bytes since the last checkpoint
	since int64  // their number
	nanos int64  // the last time stamp
	last  Record // of the last reading: time, mode, output
	ended bool

	syncedAt, checkpointAt, triedAt time.Time
	health                          Health
	toldLines, toldReadings         int64 // of the lost, in an entry
}

// Run returns the directory of the run.
func (w *Writer) Run() string { return w.runDir }

// Offset returns the byte offset behind the last line, written or not: a cursor for readers.
func (w *Writer) Offset() int64 { return w.base + int64(len(w.pending)) }

// Health says whether lines reach the disk.
func (w *Writer) Health() Health {
	h := w.health
	h.BacklogBytes = len(w.pending) - w.written
	return h
}

// CheckpointDue reports that it is time for Checkpoint.
func (w *Writer) CheckpointDue() bool {
	return w.since >= checkpointBytes || w.o.Now().Sub(w.checkpointAt) >= w.o.CheckpointEvery
}

// stamp makes time stamps strictly increase.
func (w *Writer) stamp(utc time.Time) int64 {
	return max(utc.UnixNano(), w.nanos+1)
}

// commit takes over pending lines that were appended to w.pending up to b, or
// refuses them for lack of room, and moves what it can to the disk.
func (w *Writer) commit(b []byte, nanos int64, isReading bool) error {
	if len(b)-w.written > w.limit(isReading) {
		return w.lose(isReading)
	}
	line := b[len(w.pending):]
	if len(line) > longestLine {
		return fmt.Errorf("a line of %d bytes is not logged: %d are the most that a reader takes for a line", len(line), longestLine)
	}
	w.count(line)
	w.pending, w.nanos = b, nanos
	w.flush()
	return nil
}

// count adds a line to what the next checkpoint vouches for.
func (w *Writer) count(line []byte) {
	w.crc = crc32.Update(w.crc, castagnoli, line)
	w.since += int64(len(line))
}

// limit bounds what may wait in memory.
func (w *Writer) limit(isReading bool) int {
	if isReading {
		return w.o.BacklogBytes - w.o.BacklogBytes/8
	}
	return w.o.BacklogBytes
}

// lose counts a line that finds no room.
func (w *Writer) lose(isReading bool) error {
	w.health.LostLines++
	if isReading {
		w.health.LostReadings++
	}
	w.flush()
	return fmt.Errorf("a line of the log is lost: the disk refuses it and the backlog of %d bytes is full; free space on the disk of %s",
		w.o.BacklogBytes, w.runDir)
}

// flush writes and syncs as far as is due. Trouble with the disk is no error: it
// shows in Health.
func (w *Writer) flush() {
	if w.health.Cause != nil && w.o.Now().Sub(w.triedAt) < retryEvery {
		return
	}
	if err := w.write(linesPerFlush); err != nil {
		w.fail(err)
		return
	}
	if w.written == len(w.pending) && (w.urgent || w.health.Cause != nil || w.o.Sync == 0 || w.o.Now().Sub(w.syncedAt) >= w.o.Sync || len(w.pending) > w.o.BacklogBytes/2) {
		w.sync()
	}
}

// linesPerFlush bounds how long a single call catches up.
const linesPerFlush = 2000

// write moves pending lines to the file, each by one write.
func (w *Writer) write(lines int) error {
	if w.file == nil {
		if err := w.reopen(); err != nil {
			return err
		}
	}
	for ; w.written < len(w.pending) && lines != 0; lines-- {
		line := w.pending[w.written:]
		line = line[:bytes.IndexByte(line, '\n')+1]
		n, err := w.file.Write(line)
		w.written += max(n, 0)
		if err == nil && n < len(line) {
			err = io.ErrShortWrite
		}
		if err != nil {
			return fmt.Errorf("writing to %s: %w", LogName, err)
		}
	}
	return nil
}

// sync makes what is written durable. After a failed fsync the kernel may have
// dropped the data and forgotten about it, so everything since the last good one is written again.
func (w *Writer) sync() {
	if err := w.file.Sync(); err != nil {
		w.fail(fmt.Errorf("making %s durable: %w", LogName, err))
		return
	}
	w.syncedAt, w.urgent = w.o.Now(), false
	w.base += int64(w.written)
	w.pending = w.pending[:copy(w.pending, w.pending[w.written:])]
	w.written = 0
	if cap(w.pending) > 1<<20 && len(w.pending) == 0 {
		w.pending = nil // a backlog was worked off; give its memory back
	}
	if len(w.pending) == 0 {
		w.health.Cause = nil
	}
}

// fail notes trouble with the disk. The file is opened anew at the next try, and
// whatever is not known to be durable is written again from memory.
func (w *Writer) fail(err error) {
	w.triedAt, w.health.Cause = w.o.Now(), err
	if w.file != nil {
		_ = w.file.Close() // its state is unknown; the cause is already told
		w.file = nil
	}
	w.written = 0
}

// reopen brings directory, frozen configuration and log into being, as far as
// they are not, and stands at the first byte that is not known to be durable.
func (w *Writer) reopen() (err error) {
	fsys := w.o.FS
	if !w.isMade {
		if err := fsys.MkdirAll(w.runDir, 0o750); err != nil {
			return fmt.Errorf("making the directory of the run: %w", err)
		}
		if w.frozen != nil {
			if err := WriteFileAtomic(fsys, filepath.Join(w.runDir, FrozenName), w.frozen, 0o640); err != nil {
				return err
			}
			w.frozen = nil
		}
	}
	flag := os.O_RDWR | os.O_CREATE
	if w.base > 0 {
		flag = os.O_RDWR // what was there must still be there
	}
	f, err := fsys.OpenFile(filepath.Join(w.runDir, LogName), flag, 0o640)
	if flag&os.O_CREATE == 0 && errors.Is(err, fs.ErrNotExist) {
		return displaced("it is gone")
	}
	if err != nil {
		return fmt.Errorf("opening the log: %w", err)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, f.Close())
		}
	}()
	if info, err := f.Stat(); err != nil {
		return fmt.Errorf("measuring the log: %w", err)
	} else if info.Size() < w.base {
		return displaced(fmt.Sprintf("it holds %d bytes of the %d that were made durable", info.Size(), w.base))
	}
	if !w.isMade {
		// The log's name, the run's, the cell's, and "runs" must all survive a power cut.
		for dir, n := w.runDir, 0; n < 4; dir, n = filepath.Dir(dir), n+1 {
			if err := fsys.SyncDir(dir); err != nil {
				return fmt.Errorf("making the directory %s durable: %w", dir, err)
			}
		}
		w.isMade = true
	}
	if w.cut {
		if err := f.Truncate(w.base); err != nil {
			return fmt.Errorf("cutting the torn end of the log: %w", err)
		}
		w.cut = false
	}
	if _, err := f.Seek(w.base, io.SeekStart); err != nil {
		return fmt.Errorf("moving to the end of the log: %w", err)
	}
	w.file, w.written = f, 0
	return nil
}

// Sync writes and makes durable everything, whatever Options.Sync says. The error
// says that lines still wait in memory.
func (w *Writer) Sync() error {
	if err := w.write(-1); err != nil {
		w.fail(err)
	} else {
		w.sync()
	}
	if w.health.Cause != nil {
		return fmt.Errorf("%d bytes of the log are not on disk: %w; they stay in memory while nightcell runs",
			len(w.pending), w.health.Cause)
	}
	return nil
}

// Close syncs and closes. The error says what is lost: a watch that ends with one has not kept its log.
func (w *Writer) Close() error {
	err := w.Sync()
	if w.file != nil {
		err = errors.Join(err, w.file.Close())
		w.file = nil
	}
	if lost := w.health.LostLines; lost > 0 {
		err = errors.Join(err, fmt.Errorf("%d lines of the log, %d of them readings, were lost while the disk failed", lost, w.health.LostReadings))
	}
	return err
}

// Begin writes the first entry of a run, with the settings that a replay needs, and a
// checkpoint that vouches for it. The next is due with the first reading, because this one
// holds nothing of the watch's yet.
func (w *Writer) Begin(utc time.Time, s integrate.Settings, text string, extra ...Field) error {
	fields := append(settingsFields(&s), extra...)
	if s.Meter != (integrate.MeterSettings{}) {
		fields = append(fields, Integer(formatField, Format))
	}
	if err := w.Entry(utc, EntryBegin, text, fields...); err != nil {
		return err
	}
	err := w.Checkpoint(utc, integrate.NewCoulometer(s))
	w.checkpointAt = time.Time{}
	return err
}
