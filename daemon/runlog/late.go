package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"time"

	"nightcell/drivers/lock"
	"nightcell/integrate"
)

// LateName is the file beside a log that holds what was entered after the run ended, or while nobody watched. The log
// itself stays sealed. Each line is an entry that vouches for itself (line_crc, as a checkpoint's) and for the line before it
// (before: its CRC-32C, 0 for the first). The file is replaced as a whole, so that no kill and no power cut tears it.
const LateName = "late.lp"

// LedgerName is the file of a bath or an electrode in its own folder, with lines as in LateName.
const LedgerName = "ledger.lp"

// EntryRetract is the kind of an entry that takes back the one it names under RetractedEntry.
const (
	EntryRetract   = "retract"
	RetractedEntry = "entry"
)

// beforeKey is the field by which a line of LateName vouches for the one before; a Record of it is without that.
const beforeKey = "before"

// Late is what stands beside the log of a run.
type Late struct {
	Records []Record // in the order in which they were written, with those that were taken back
	Damage  []Damage

	data []byte // of the file
	sum  uint32 // of the last line
}

// Sound reports that every entry ever made is there, as it was written.
func (l *Late) Sound() bool { return len(l.Damage) == 0 }

// ReadLate reads what stands beside the log of a run; no file means no entries. The error tells of a
// disk that cannot be read.
func ReadLate(runDir string) (*Late, error) { return readLate(Disk{}, filepath.Join(runDir, LateName)) }

// ReadLedger reads the ledger in a folder likewise.
func ReadLedger(dir string) (*Late, error) { return readLate(Disk{}, filepath.Join(dir, LedgerName)) }

func readLate(fsys FS, path string) (*Late, error) {
	f, err := fsys.OpenFile(path, os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return &Late{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("opening the late entries: %w", err)
	}
	data, err := io.ReadAll(f)
	if err = errors.Join(err, f.Close()); err != nil {
		return nil, fmt.Errorf("reading %s: %w", path, err)
	}
	l := parseLate(data)
	for i := range l.Records {
		if err := l.Records[i].readable(); err != nil {
			return nil, fmt.Errorf("%s: %w", path, err)
		}
	}
	return l, nil
}

func parseLate(data []byte) *Late {
	l := new(Late)
	for line := range bytes.Lines(data) {
		l.add(line)
	}
	return l
}

// add judges a line and takes what can be taken.
func (l *Late) add(line []byte) {
	d := Damage{From: int64(len(l.data)), To: int64(len(l.data) + len(line))}
	before, n := l.sum, len(l.Records)
	l.data, l.sum = append(l.data, line...), crc32.Checksum(line, castagnoli)
	text, whole := bytes.CutSuffix(line, []byte("\n"))
	var rec Record
	err := new(decoder).general(text, &rec)
	said, _ := rec.Integer(beforeKey)
	switch {
	case err != nil || !whole || rec.Kind != KindEntry || !vouched(text):
		d.Reason = "the entry's checksum is wrong"
		l.Damage = append(l.Damage, d)
		return
	case n > 0 && rec.Nanos <= l.Records[n-1].Nanos:
		d.Reason = errTwice.Error()
		l.Damage = append(l.Damage, d)
		return
	case uint32(said) != before && (len(l.Damage) == 0 || l.Damage[len(l.Damage)-1].To != d.From):
		d.Reason = "the entry before it was changed"
		l.Damage = append(l.Damage, d)
	}
	rec.Fields = rec.Fields[1 : len(rec.Fields)-1] // before and line_crc
	l.Records = append(l.Records, rec)
}

// Name names an entry of a run: eight hexadecimal digits that follow from its time stamp, which
// no other line of the run has.
func (r *Record) Name() string {
	return fmt.Sprintf("%08x", crc32.Checksum(strconv.AppendInt(nil, r.Nanos, 10), castagnoli))
}

// LastName names the entry that was appended last.
func (w *Writer) LastName() string { return (&Record{Nanos: w.nanos}).Name() }

// Counting returns the entries that no later one takes back, in their order, and leaves out those that take back. A
// retraction that was itself taken back retracts nothing.
func Counting(entries []Record) []Record {
	gone := make(map[string]bool)
	var kept []Record
	for _, r := range slices.Backward(entries) {
		switch {
		case gone[r.Name()]:
		case r.Text("kind") == EntryRetract:
			gone[r.Text(RetractedEntry)] = true
		default:
			kept = append(kept, r)
		}
	}
	slices.Reverse(kept)
	return kept
}

// LateEntries returns the late entries of a run that count: Counting without those of the log. An entry
// has what the log's have: kind, text, by, figures in SI units with the unit last in the name, words, and in
// happened the Unix nanoseconds of when it was so, if that is not when it was written.
func LateEntries(runDir string) ([]Record, error) {
	l, err := ReadLate(runDir)
	if err != nil {
		return nil, err
	}
	return Counting(l.Records), nil
}

// LateFile tells of the file of late entries as it is now, nil where there is none, and whether it may hold what it
// did not when it was the file before: another is put in its place with every entry.
func LateFile(runDir string, before fs.FileInfo) (now fs.FileInfo, changed bool) {
	now, err := os.Stat(filepath.Join(runDir, LateName))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, false
	}
	if err != nil {
		return nil, true // reading it tells why
	}
	return now, before == nil || !os.SameFile(before, now) || before.Size() != now.Size() || !before.ModTime().Equal(now.ModTime())
}

// PersonsEntries returns every entry that a person made in a run, in its log and beside it, in the order in
// which they were written and with those that were taken back: see Counting.
func PersonsEntries(runDir string) (all []Record, err error) {
	err = Scan(runDir, 0, func(rec *Record, _ *Reader) bool {
		if rec.Kind == KindEntry && rec.Text("by") != "" {
			all = append(all, *rec.Clone())
		}
		return true
	})
	if err != nil {
		return nil, err
	}
	l, err := ReadLate(runDir)
	if err != nil {
		return nil, err
	}
	return append(all, l.Records...), nil
}

// CheckpointAt returns the last checkpoint of a run not after a time, in Unix nanoseconds, nil before the first, and the coulometer as it was at
// that time, which readings after the checkpoint have moved on; nil before the run.
func CheckpointAt(runDir string, nanos int64) (last *Record, c *integrate.Coulometer, err error) {
	var replay Replay
	err = Scan(runDir, 0, func(rec *Record, r *Reader) bool {
		switch {
		case rec.Nanos > nanos:
			return false
		case rec.Kind != KindCheckpoint:
			_ = replay.Apply(rec) // what makes no sense is verify's to name
		case r.vouched():
			if c, err := restore(rec); err == nil {
				replay.from(c, rec)
				last = rec.Clone()
			}
		}
		return true
	})
	return last, replay.Coulometer, err
}

// Scan shows the lines of a log from an offset on to each until that wants no more. It passes damage, which verify names.
func Scan(runDir string, offset int64, each func(*Record, *Reader) bool) (err error) {
	r, err := Open(runDir)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	if err := r.SeekTo(offset); err != nil {
		return err
	}
	for rec := new(Record); ; {
		var d *Damage
		switch err := r.Next(rec); {
		case errors.As(err, &d):
		case errors.Is(err, io.EOF) || err == nil && !each(rec, r):
			return nil
		case err != nil:
			return err
		}
	}
}

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
		return nil, fmt.Errorf("looking for the run: %w; %s", err, Remedy(err, isRun))
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
	return openSealed(fsys, filepath.Join(dir, LedgerName), &Tail{Cell: name})
}

func openSealed(fsys FS, path string, tail *Tail) (*LateWriter, error) {
	l, err := readLate(fsys, path)
	return &LateWriter{Late: l, Tail: tail, fs: fsys, path: path}, err
}

// locked opens a writer under a lock that is waited for.
func locked(path string, wait time.Duration, open func() (*LateWriter, error)) (*LateWriter, error) {
	for end := time.Now().Add(wait); ; {
		var held *lock.HeldError
		l, err := lock.Take(path)
		switch {
		case errors.As(err, &held) && time.Now().Before(end):
			<-time.After(20 * time.Millisecond)
			continue
		case held != nil:
			return nil, fmt.Errorf("another entry is being written: %w", err)
		case err != nil:
			return nil, fmt.Errorf("no entry can be written: %w; %s", err, Remedy(err, "see that the folder is there and takes a file"))
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
	return openSealed(fsys, filepath.Join(runDir, LateName), tail)
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
	line, err := appendLine(nil, KindEntry, w.Tail.Cell, "", nanos, append([]Field{Integer(beforeKey, int64(late.sum)), Text("kind", kind), Text("text", text)}, fields...), true)
	if err != nil {
		return nil, fmt.Errorf("not entered: %w", err)
	}
	late = parseLate(append(slices.Clip(late.data), line...))
	if err := WriteFileAtomic(w.fs, w.path, late.data, 0o640); err != nil {
		return nil, fmt.Errorf("the entry may not be on disk; check the list before repeating it: %w", err)
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
