package runlog

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// TestABlockTwice copies any block of lines behind the last checkpoint to any later line end: whatever stands in it,
// readings, gaps, entries, is taken once, by a replay and by the watch that goes on.
func TestABlockTwice(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: time.Hour}, 120, false)
	first := bytes.LastIndex(data, []byte("\ncheckpoint,")) + 1
	var ends []int // of lines, from the last checkpoint's on
	for i := first; i < len(data); i++ {
		if data[i] == '\n' {
			ends = append(ends, i+1)
		}
	}
	clean, err := readTail(readFile(data), false)
	if err != nil {
		t.Fatal(err)
	}
	rapid.Check(t, func(t *rapid.T) {
		from := rapid.IntRange(0, len(ends)-2).Draw(t, "from")
		to := rapid.IntRange(from+1, min(from+30, len(ends)-1)).Draw(t, "to")
		at := rapid.IntRange(to, len(ends)-1).Draw(t, "at")
		block := data[ends[from]:ends[to]]
		twice := slices.Concat(data[:ends[at]], block, data[ends[at]:])
		report, err := replayAll(newReader(readFile(twice), 16<<10), nil)
		if err != nil {
			t.Fatal(err)
		}
		if report.Totals != l.c.Totals() || report.DamageCount != int64(to-from) {
			t.Errorf("%d lines twice: replayed %+v, %d damages\nlive %+v", to-from, report.Totals, report.DamageCount, l.c.Totals())
		}
		tail, err := readTail(readFile(twice), false)
		if err != nil {
			t.Fatal(err)
		}
		if !tail.replay.Coulometer.State().Equal(l.c.State()) || len(tail.Records) != len(clean.Records) || tail.replay.LastNanos != clean.replay.LastNanos {
			t.Errorf("resumed %+v with %d records\nlive    %+v with %d", tail.replay.Coulometer.State(), len(tail.Records), l.c.State(), len(clean.Records))
		}
	})
}

// TestACheckpointTwice copies what a checkpoint and the lines behind it say to behind the next one: the whole log
// read again does not go back to it.
func TestACheckpointTwice(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: 20 * time.Second}, 200, true)
	var marks []int
	for i := 0; ; {
		n := bytes.Index(data[i:], []byte("\ncheckpoint,"))
		if n < 0 {
			break
		}
		i += n + 1
		marks = append(marks, i)
	}
	a, b := marks[len(marks)/2], marks[len(marks)/2+1]
	end := b + bytes.IndexByte(data[b:], '\n') + 1
	twice := slices.Concat(data[:end], data[a:b], data[end:])
	var seen int64
	report, err := replayAll(newReader(readFile(twice), 16<<10), func(r *Record, p *Replay) error {
		if now := p.Coulometer; now != nil {
			if readings := now.Totals().Readings; readings < seen {
				return fmt.Errorf("from %d readings back to %d", seen, readings)
			} else {
				seen = readings
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if report.Totals != l.c.Totals() || report.DamageCount == 0 {
		t.Errorf("replayed %+v, %d damages\nlive     %+v", report.Totals, report.DamageCount, l.c.Totals())
	}
}

// TestAStampTooLate flips a digit of one reading's time stamp: the readings behind it are no copies, and count.
func TestAStampTooLate(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: time.Hour}, 60, false)
	from := bytes.LastIndex(data[:len(data)*3/4], []byte("\nreading,")) + 1
	line := data[from : from+bytes.IndexByte(data[from:], '\n')]
	stamp := from + bytes.LastIndexByte(line, ' ') + 1
	wrong := slices.Clone(data)
	wrong[stamp+3]++ // some weeks
	report, err := replayAll(newReader(readFile(wrong), 16<<10), nil)
	if err != nil {
		t.Fatal(err)
	}
	if report.Totals != l.c.Totals() || report.DamageCount != 0 {
		t.Errorf("replayed %+v, %d damages\nlive     %+v", report.Totals, report.DamageCount, l.c.Totals())
	}
}

// TestAWatchGoesOnBehindABlockTwice: the checkpoint that it writes speaks for the lines without the copies.
func TestAWatchGoesOnBehindABlockTwice(t *testing.T) {
	m := newMemFS()
	l, data := closedLog(t, m, Options{Sync: time.Hour, CheckpointEvery: time.Hour}, 60, false)
	from := bytes.LastIndex(data[:len(data)*3/4], []byte("\nreading,")) + 1
	run := l.w.Run()
	m.names[run+"/"+LogName].data = slices.Concat(data, data[from:])
	copies := int64(bytes.Count(data[from:], []byte("\n")))
	w, tail, err := Resume(run, l.o)
	if err != nil {
		t.Fatal(err)
	}
	l.resume(w, tail)
	l.spell(10)
	l.checkpoint()
	l.must(w.Close())
	report := replay(t, m, run)
	if report.Totals != l.c.Totals() || report.DamageCount != copies || len(report.Mismatches) != 0 {
		t.Errorf("%d copies: %+v\nlive %+v", copies, report, l.c.Totals())
	}
}
