package runlog

import (
	"bytes"
	"cmp"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"syscall"

	"nightcell/integrate"
)

// Tail is what a log's end tells the watch that takes the run up again.
type Tail struct {
	Cell string
	// Coulometer stands where the log ends. Its Last sample is stamped in time
	// since the run's first reading. It is nil when the run never got as far as its begin entry.
	Coulometer *integrate.Coulometer
	Checkpoint *Record  // the last one, with the watch's extra fields; nil: none
	Records    []Record // after that checkpoint, other than readings
	Last       Record   // the newest reading; its Nanos is 0 when the run has none
	LastNanos  int64    // time stamp of the newest line
	Ended      bool

	CutBytes int64    // torn bytes removed from the end
	Damage   []Damage // unreadable lines after the last checkpoint
	Doubt    *Doubt   // the last checkpoint contradicts what stands before it; nil: it does not
}

// Resume takes up the log of a run where it ends. It reads backwards to the last
// checkpoint and forwards from there, so that the time it takes does not depend on the
// length of the log. The last checkpoint is held against the readings since the one before; one
// that contradicts them is told in Tail.Doubt and as an entry. A torn end is cut off; that, and any damage found, is written
// into the log as entries. A file that cannot be written to for the moment is no
// error (see Health).
//
// Call Checkpoint once the watch stands again.
func Resume(runDir string, o Options) (*Writer, *Tail, error) {
	o = o.filled()
	f, err := openLog(o.FS, runDir)
	if err != nil {
		return nil, nil, fmt.Errorf("resuming the run: %w", err)
	}
	t, err := readTail(f, true)
	_ = f.Close() // nothing was written
	if err != nil {
		return nil, nil, fmt.Errorf("resuming the run in %s: %w", runDir, err)
	}
	tail := t.told(runDir)
	w, err := newWriter(tail.Cell, o)
	if err != nil {
		return nil, nil, err
	}
	w.runDir, w.base, w.nanos, w.ended = runDir, t.end, t.replay.LastNanos, t.replay.Ended
	w.crc, w.since, w.last = t.sum, t.end-t.segment-t.copied, t.replay.Last
	w.cut = t.size > t.end
	if err := w.reopen(); err != nil {
		if !DiskTrouble(err) && !errors.Is(err, syscall.EPERM) && !errors.Is(err, syscall.EACCES) {
			return nil, nil, fmt.Errorf("resuming the run in %s: %w", runDir, err)
		}
		w.fail(err)
	}
	return w, tail, w.tell(tail)
}

// told is what a tail tells the one who asked for it.
func (t *tail) told(runDir string) *Tail {
	t.Cell = cmp.Or(t.report.Cell, filepath.Base(filepath.Dir(filepath.Clean(runDir))))
	t.Coulometer, t.Last, t.LastNanos, t.Ended = t.replay.Coulometer, t.replay.Last, t.replay.LastNanos, t.replay.Ended
	t.CutBytes = t.size - t.end
	return &t.Tail
}

// tell writes into the log what was found wrong with it.
func (w *Writer) tell(t *Tail) error {
	var failed error
	for _, d := range t.Damage {
		failed = errors.Join(failed, w.Entry(w.o.Now(), EntryDamage, d.Reason, Integer("from", d.From), Integer("to", d.To)))
	}
	if d := t.Doubt; d != nil {
		failed = errors.Join(failed, w.Entry(w.o.Now(), EntryDoubt, d.Reason, Integer("at", d.At)))
	}
	if t.CutBytes > 0 {
		failed = errors.Join(failed, w.Entry(w.o.Now(), EntryTailCut, "the incomplete end of the log was removed",
			Integer("at", w.base), Integer("bytes", t.CutBytes)))
	}
	return failed
}

// tail is the state of the end of a log file.
type tail struct {
	Tail // as far as it is told
	verifier
	size int64 // of the file
}

// readTail reads the end of a log from its last checkpoint on, or from the beginning. Who doubts holds that checkpoint against what stands
// between it and the one before: their number and checksum, and the readings integrated again. Where only the totals contradict, the readings
// are vouched for and the run is taken up from the checkpoint before; where the bytes are not those that were counted, the checkpoint is the
// better witness.
func readTail(f File, doubting bool) (*tail, error) {
	size, err := f.Seek(0, io.SeekEnd)
	if err != nil {
		return nil, fmt.Errorf("measuring the log: %w", err)
	}
	from, err := lastCheckpoint(f, size)
	if err == nil && doubting && from > 0 {
		from, err = lastCheckpoint(f, from)
	}
	if err != nil {
		return nil, err
	}
	t := &tail{size: size}
	if err := t.read(f, from); err != nil || !doubting || t.doubt == nil || from > 0 && t.doubt.At == from { // nothing was read before from
		return t, err
	}
	doubt := t.doubt
	if doubt.denied {
		t = &tail{size: size, verifier: verifier{passed: doubt.At}}
		err = t.read(f, from)
	}
	t.Doubt = doubt
	return t, err
}

// read verifies the log from a checkpoint, or from the beginning.
func (t *tail) read(f File, from int64) error {
	r := newReader(f, 16<<10)
	if err := r.Resume(from); err != nil {
		return err
	}
	t.damaged = from > 0 // what stands before that is none of this
	err := t.all(r, func(rec *Record, _ *Replay) error {
		switch {
		case rec.Kind == KindReading || rec.Kind == KindCheckpoint && t.passed > 0 && r.at() == t.passed:
		case rec.Kind == KindCheckpoint:
			t.Checkpoint, t.Records, t.report.Damage = rec.Clone(), nil, nil
		default:
			t.Records = append(t.Records, *rec.Clone())
		}
		return nil
	})
	t.Damage = t.report.Damage[:t.named]
	return err
}

var errCheckpoint = errors.New("the checkpoint's checksum is wrong")

// vouched reports whether the line last read is a checkpoint as it was written.
func (r *Reader) vouched() bool { return r.line != nil && vouched(r.line[:len(r.line)-1]) }

// Clone is a record that outlives the next call of Reader.Next.
func (r *Record) Clone() *Record {
	c := *r
	c.Fields = slices.Clone(r.Fields)
	return &c
}

// lastCheckpoint returns the offset of the last checkpoint line that vouches for
// itself and can be restored, in a log of so many bytes, and 0 when there is none; a checkpoint is never a log's first line.
func lastCheckpoint(f io.ReaderAt, size int64) (int64, error) {
	const block = 16 << 10
	var rest []byte // what stands before the lines that were looked at, as far as it was read
	for from, whole := size, false; ; {
		i := bytes.LastIndexByte(rest, '\n')
		switch {
		case i < 0 && len(rest) > longestLine:
			rest, whole = nil, false // no line ends with it
			continue
		case i < 0 && from > 0:
			n := min(block, from)
			from -= n
			b := make([]byte, n, n+int64(len(rest)))
			if _, err := f.ReadAt(b, from); err != nil && !errors.Is(err, io.EOF) {
				return 0, fmt.Errorf("reading the log at byte %d: %w", from, err)
			}
			rest = append(b, rest...)
			continue
		}
		if whole && bytes.HasPrefix(rest[i+1:], []byte(KindCheckpoint+",")) && restorable(rest[i+1:]) {
			return from + int64(i) + 1, nil
		}
		if i < 0 {
			return 0, nil
		}
		rest, whole = rest[:i], true
	}
}

func restorable(line []byte) bool {
	if !vouched(line) {
		return false
	}
	var d decoder
	var r Record
	if err := d.general(line, &r); err != nil {
		return false
	}
	_, err := restore(&r)
	return err == nil
}

// Doubt is why the last checkpoint of a log is not to be believed as it stands.
type Doubt struct {
	At     int64  // offset of the checkpoint
	Reason string // what contradicts what, with both charges, and which was taken up
	denied bool   // the readings before it are better witnesses
}

// doubtOf says why a checkpoint at an offset, which its bytes and checksum may say are others than those before it, is not to be believed
// where the readings give another coulometer; nil for their beginning is missing.
func doubtOf(at int64, stored, counted *integrate.Coulometer, miscounted string) *Doubt {
	says := ampereHoursOf(stored.Totals().Charge)
	switch {
	case miscounted != "":
		return &Doubt{At: at, Reason: fmt.Sprintf("the last checkpoint, %s, does not match the log before it: it %s. The log was damaged, as by a power failure, or altered; the checkpoint is used for lack of anything better",
			says, miscounted)}
	case counted == nil:
		return &Doubt{At: at, Reason: fmt.Sprintf("the last checkpoint gives %s, but the start of the run is missing; the checkpoint is used for lack of anything better", says)}
	}
	return &Doubt{At: at, denied: true, Reason: fmt.Sprintf("the last checkpoint gives %s, but the readings before it give %s (%s). It was altered, or the disk is failing; the run is resumed from the readings",
		says, ampereHoursOf(counted.Totals().Charge), strings.Join(differences(stored, counted), ", "))}
}

func ampereHoursOf(coulombs float64) string { return fmt.Sprintf("%.6g A·h", coulombs/3600) }
