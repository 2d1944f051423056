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
	"slices"
	"strconv"

	"nightcell/integrate"
)

// LateName is the file beside a log that holds what was entered after the run ended, or
// while nobody watched. The log itself stays sealed. Each line is an entry that vouches for itself
// (line_crc, as a checkpoint's) and for the line before it (before: its CRC-32C, 0 for the first).
const LateName = "late.lp"

// EntryRetract is the kind of an entry that takes back the one it names under RetractedEntry.
const (
	EntryRetract   = "retract"
	RetractedEntry = "entry"
)

// The fields by which a line of LateName vouches; a Record of it is without them.
const (
	beforeKey = "before"
	sealKey   = "line_crc"
)

// Late is what stands beside the log of a run.
type Late struct {
	Records   []Record // in the order in which they were written, with those that were taken back
	Bytes     int64    // of whole lines
	TornBytes int64    // at the end, of an entry that nobody was told of
	Damage    []Damage

	sum uint32 // of the last line
}

// Sound reports that every entry ever told is there, as it was written. A torn end is no damage.
func (l *Late) Sound() bool { return len(l.Damage) == 0 }

// ReadLate reads what stands beside the log of a run; no file means no entries. The error tells of a
// disk that cannot be read.
func ReadLate(runDir string) (*Late, error) { return readLate(Disk{}, runDir) }

func readLate(fsys FS, runDir string) (*Late, error) {
	f, err := fsys.OpenFile(filepath.Join(runDir, LateName), os.O_RDONLY, 0)
	if errors.Is(err, fs.ErrNotExist) {
		return &Late{}, nil
	}
	if err != nil {
		return nil, fmt.Errorf("opening the late entries: %w", err)
	}
	l := new(Late)
	if err := errors.Join(l.read(newReader(f, 16<<10)), f.Close()); err != nil {
		return nil, fmt.Errorf("reading %s: %w", filepath.Join(runDir, LateName), err)
	}
	return l, nil
}

func (l *Late) read(r *Reader) error {
	var whole Late // up to the last line that a power cut cannot have left
	for {
		r.crcLine = 0 // of one line alone
		var rec Record
		err := r.Next(&rec)
		var d *Damage
		switch {
		case errors.Is(err, io.EOF):
			end := r.offset + r.unread()
			if whole.Bytes < r.offset {
				l.Damage, l.Bytes, l.sum = whole.Damage, whole.Bytes, whole.sum
			}
			l.TornBytes = end - l.Bytes
			return nil
		case errors.As(err, &d):
			l.Damage = append(l.Damage, *d)
		case err != nil:
			return err
		default:
			l.take(&rec, r)
		}
		l.Bytes, l.sum = r.offset, r.crcLine
		if bytes.IndexByte(r.line, 0) < 0 { // zeros are blocks that never reached the disk
			whole = *l
		}
	}
}

// take judges a line that can be read.
func (l *Late) take(rec *Record, r *Reader) {
	from := r.offset - int64(len(r.line))
	name := func(reason string) { l.Damage = append(l.Damage, Damage{from, r.offset, reason}) }
	before, _ := rec.Integer(beforeKey)
	switch {
	case rec.Kind != KindEntry || !r.vouched():
		name("the entry does not vouch for itself")
		return
	case len(l.Records) > 0 && rec.Nanos <= l.Records[len(l.Records)-1].Nanos:
		name(errTwice.Error())
		return
	case uint32(before) != l.sum && (len(l.Damage) == 0 || l.Damage[len(l.Damage)-1].To != from):
		name("the entry before it is not the one that stood there")
	}
	rec.Fields = slices.DeleteFunc(rec.Fields, func(f Field) bool { return f.Key == beforeKey || f.Key == sealKey })
	l.Records = append(l.Records, *rec)
}

// Name names an entry of a run: eight hexadecimal digits that follow from its time stamp, which
// no other line of the run has.
func (r *Record) Name() string {
	return fmt.Sprintf("%08x", crc32.Checksum(strconv.AppendInt(nil, r.Nanos, 10), castagnoli))
}

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
		case r.Text("kind") != EntryTailCut:
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

// PersonsEntries returns every entry that a person made in a run, in its log and beside it, in the order in
// which they were written and with those that were taken back: see Counting.
func PersonsEntries(runDir string) ([]Record, error) {
	r, err := Open(runDir)
	if err != nil {
		return nil, err
	}
	var all []Record
	var rec Record
	for err == nil {
		var d *Damage
		if err = r.Next(&rec); errors.As(err, &d) {
			err = nil // verify names it
		} else if err == nil && rec.Kind == KindEntry && rec.Text("by") != "" {
			all = append(all, *clone(&rec))
		}
	}
	if err = errors.Join(unlessEnd(err), r.Close()); err != nil {
		return nil, err
	}
	l, err := ReadLate(runDir)
	if err != nil {
		return nil, err
	}
	return append(all, l.Records...), nil
}

func unlessEnd(err error) error {
	if errors.Is(err, io.EOF) {
		return nil
	}
	return err
}

// CheckpointAt returns the last checkpoint of a run not after a time, in Unix nanoseconds, and the coulometer as it
// was then; nil before the first.
func CheckpointAt(runDir string, nanos int64) (*Record, *integrate.Coulometer, error) {
	r, err := Open(runDir)
	if err != nil {
		return nil, nil, err
	}
	var rec Record
	var last *Record
	for err == nil {
		var d *Damage
		switch err = r.Next(&rec); {
		case errors.As(err, &d):
			err = nil
		case err != nil || rec.Nanos > nanos:
			err = cmp.Or(err, io.EOF) // what comes after it is not asked for
		case rec.Kind == KindCheckpoint && r.vouched():
			last = clone(&rec)
		}
	}
	if err = errors.Join(unlessEnd(err), r.Close()); err != nil || last == nil {
		return nil, nil, err
	}
	c, err := restore(last)
	return last, c, err
}

// Correct does to a coulometer what an entry zero, check or settle says, after the end as before it; of any other entry
// nothing. The error says that it cannot be done.
func (r *Record) Correct(c *integrate.Coulometer) error {
	switch kind := r.Text("kind"); kind {
	case EntryZero, EntryCheck, EntrySettle:
		return (&Replay{Coulometer: c}).correct(kind, r)
	}
	return nil
}
