package history

import (
	"errors"
	"io"
	"math"

	"nightcell/daemon/runlog"
)

const (
	mostBuckets = 4096
	firstWidth  = int64(1e9) // ns
)

// bucket holds the readings of one stretch of time. Extremes are float32: they are drawn, not counted.
type bucket struct {
	last                                       int64 // time stamp of the last reading, Unix ns; 0: the bucket is empty
	offset                                     int64 // in the log, of the first reading, or of the one after an empty bucket
	coulombs                                   float64
	minVolts, maxVolts, minAmperes, maxAmperes float32
}

// bucketOf is a bucket with one reading, whose line begins at an offset. Its charge is not known.
func bucketOf(r *runlog.Record, offset int64) bucket {
	volts, amperes := float32(r.Volts), float32(r.Amperes)
	return bucket{r.Nanos, offset, math.NaN(), volts, volts, amperes, amperes}
}

// merge adds a later bucket to b.
func (b *bucket) merge(later *bucket) {
	if later.last == 0 {
		return
	}
	if b.last == 0 {
		*b = *later
		return
	}
	b.last, b.coulombs = later.last, later.coulombs
	b.minVolts, b.maxVolts = min(b.minVolts, later.minVolts), max(b.maxVolts, later.maxVolts)
	b.minAmperes, b.maxAmperes = min(b.minAmperes, later.minAmperes), max(b.maxAmperes, later.maxAmperes)
}

// series is one run: at most mostBuckets buckets whose width doubles when they are
// full, so that memory stays the same however long the run lasts.
type series struct {
	replay  runlog.Replay
	record  runlog.Record
	first   int64 // time stamp of the first reading, Unix ns; 0 before it
	newest  int64
	width   int64 // ns of one bucket
	buckets []bucket
	events  events
}

func newSeries() *series { return &series{width: firstWidth} }

// take applies up to n records; more says that the log may hold further ones. Lines
// that are damaged are left out: nightcell verify names them.
func (s *series) take(r *runlog.Reader, n int) (more bool, err error) {
	for range n {
		at := r.Offset()
		err := r.Next(&s.record)
		var damage *runlog.Damage
		switch {
		case errors.As(err, &damage):
			s.replay.Missing()
			continue
		case errors.Is(err, io.EOF):
			return false, nil
		case err != nil:
			return false, err
		}
		if s.record.Kind == runlog.KindReading {
			s.reading(at)
			continue
		}
		if !s.replay.Carry(&s.record) && s.record.Kind != runlog.KindCheckpoint {
			s.events.take(&s.record)
			_ = s.replay.Apply(&s.record) // what makes no sense to the count is still something that happened
		}
	}
	return true, nil
}

// reading puts the record into its bucket; offset is where its line begins.
func (s *series) reading(offset int64) {
	rec := &s.record
	if s.first == 0 {
		s.first = rec.Nanos
	}
	if i := len(s.buckets); i > 0 && (rec.Nanos-s.first)/s.width >= int64(i) {
		s.buckets[i-1].coulombs = s.coulombs() // complete: what is counted so far belongs to it
	}
	if s.replay.Apply(rec) != nil {
		return // not counted, so not drawn
	}
	s.newest = rec.Nanos
	for (rec.Nanos-s.first)/s.width >= mostBuckets {
		s.double()
	}
	i := int((rec.Nanos - s.first) / s.width)
	for len(s.buckets) <= i {
		s.buckets = append(s.buckets, bucket{offset: offset})
	}
	b := bucketOf(rec, offset)
	s.buckets[i].merge(&b)
}

// double makes the buckets twice as wide and half as many.
func (s *series) double() {
	n := (len(s.buckets) + 1) / 2
	for i := range n {
		b := s.buckets[2*i]
		if 2*i+1 < len(s.buckets) {
			b.merge(&s.buckets[2*i+1])
		}
		s.buckets[i] = b
	}
	clear(s.buckets[n:])
	s.buckets = s.buckets[:n]
	s.width *= 2
}

// coulombs is the charge counted up to the newest reading, with the best value of the gaps.
func (s *series) coulombs() float64 {
	if s.replay.Coulometer == nil {
		return math.NaN()
	}
	return s.replay.Coulometer.Totals().Charge
}

// settle gives the last bucket, which is still filling, its charge.
func (s *series) settle() {
	if n := len(s.buckets); n > 0 && math.IsNaN(s.buckets[n-1].coulombs) {
		s.buckets[n-1].coulombs = s.coulombs()
	}
}
