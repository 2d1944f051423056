package runlog

import (
	"errors"
	"fmt"
	"io"
	"strings"
)

// Doubt is why the last checkpoint of a log is not to be believed as it stands.
type Doubt struct {
	At     int64  // offset of the checkpoint
	Reason string // what contradicts what, with both charges, and which was taken up
}

// readDoubting reads the end of a log as readTail does, and holds its last checkpoint against
// what stands between it and the one before: their number and checksum, and the readings integrated
// again. Where only the totals contradict, the readings are vouched for and the run is
// taken up from the checkpoint before; where the bytes are not those that were
// counted, the checkpoint is the better witness.
func readDoubting(f File) (*tail, *Doubt, error) {
	t, err := readTail(f)
	if err != nil || t.Checkpoint == nil {
		return t, nil, err
	}
	before, err := readBefore(f, t)
	if err != nil {
		return nil, nil, err
	}
	stored, err := restore(t.Checkpoint)
	if err != nil {
		return nil, nil, err // it was restored a moment ago
	}
	says := ampereHoursOf(stored.Totals().Charge)
	switch {
	case before.broken != "":
		return t, &Doubt{t.at, fmt.Sprintf("the last checkpoint, %s, does not match the log before it: %s. The log was damaged, as by a power failure, or altered; the checkpoint is used for lack of anything better",
			says, before.broken)}, nil
	case before.lost || before.replay.anew && before.replay.Coulometer == nil || sameCoulometer(before.replay.Coulometer, stored):
		return t, nil, nil
	case before.replay.Coulometer == nil:
		return t, &Doubt{t.at, fmt.Sprintf("the last checkpoint gives %s, but the start of the run is missing; the checkpoint is used for lack of anything better", says)}, nil
	}
	reason := fmt.Sprintf("the last checkpoint gives %s, but the readings before it give %s (%s). It was altered, or the disk is failing; the run is resumed from the readings",
		says, ampereHoursOf(before.replay.Coulometer.Totals().Charge), strings.Join(differences(stored, before.replay.Coulometer), ", "))
	at := t.at
	if t, err = (&tail{size: t.size, passed: at}).read(f, before.from); err != nil {
		return nil, nil, err
	}
	return t, &Doubt{at, reason}, nil
}

func ampereHoursOf(coulombs float64) string { return fmt.Sprintf("%.6g A·h", coulombs/3600) }

// segment is what stands between the last checkpoint and the one before it, read again.
type segment struct {
	from   int64 // offset of the checkpoint before; 0: the beginning of the log
	start  int64 // behind it
	copied int64 // bytes that are copies of other lines
	replay Replay
	lost   bool   // lines were never written, so the readings cannot give the totals
	broken string // why the bytes are not those that the last checkpoint counts; empty: they are
}

// readBefore replays what the last checkpoint of a tail speaks of, and nothing else of the log.
func readBefore(f File, t *tail) (*segment, error) {
	length, _ := t.Checkpoint.Integer("bytes")
	sum, _ := t.Checkpoint.Integer("crc")
	s := new(segment)
	var err error
	if s.from, err = lastCheckpoint(f, t.at); err != nil {
		return nil, err
	}
	r := newReader(f, 64<<10)
	if err := r.SeekTo(s.from); err != nil {
		return nil, err
	}
	var rec Record
	for r.offset < t.at {
		err := r.Next(&rec)
		var d *Damage
		if err == nil {
			err = s.take(&rec, r)
		}
		switch {
		case err == nil:
		case errors.Is(err, errTwice):
			s.copied += r.dropLine()
		case errors.Is(err, errSenseless) || errors.As(err, &d):
			s.replay.Missing()
		case errors.Is(err, io.EOF):
			s.broken = "it was cut while it was read"
			return s, nil
		default:
			return nil, err
		}
	}
	if got := t.at - s.start - s.copied; got != length || int64(r.crcLine) != sum {
		s.broken = fmt.Sprintf("it counts %d bytes with CRC-32C %08x since the checkpoint before, and there are %d with %08x", length, sum, got, r.crcLine)
	}
	return s, nil
}

// errSenseless stands for whatever keeps a line from being applied.
var errSenseless = errors.New("a line out of place")

// take applies one line.
func (s *segment) take(rec *Record, r *Reader) error {
	if rec.Kind == KindCheckpoint {
		if r.offset-int64(len(r.line)) != s.from {
			return errSenseless // one that does not vouch for itself, else it would be where this began
		}
		c, err := restore(rec)
		if err != nil {
			return err // it was restored a moment ago
		}
		s.replay.from(c, rec)
		s.start, r.crcLine = r.offset, 0
		return nil
	}
	if rec.Kind == KindEntry && rec.Text("kind") == EntryLost {
		s.lost = true
	}
	err := s.replay.Apply(rec)
	if err != nil && !errors.Is(err, errTwice) {
		return errSenseless
	}
	return err
}
