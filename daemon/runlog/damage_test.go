package runlog

import (
	"bytes"
	"fmt"
	"hash/crc32"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcell/daemon/housetest"
	"nightcell/drivers"
	"nightcell/integrate"
)

// stride thins the loops over every byte and every operation where the race detector makes them slow; without it they leave out nothing.
var stride = housetest.UnderRace(53, 1)

// closedLog writes a run on m and returns its watch and a copy of its log.
func closedLog(t *testing.T, m *memFS, o Options, polls int, closed bool) (*live, []byte) {
	t.Helper()
	o.FS = m
	l := newLive(t, o)
	l.marks = true
	w, err := Create("/data", "zinc-1", begin, nil, l.o)
	l.must(err)
	l.begin(w)
	l.spell(polls)
	if closed {
		l.must(l.w.Entry(l.utc, EntryEnd, "done"))
		l.checkpoint()
	}
	l.must(l.w.Close())
	_, data := m.log(t)
	return l, slices.Clone(data)
}

// TestCutAtEveryByte reopens a log that ends at every byte offset of its last
// 64 KiB: the coulometer always stands where the last whole line left it, and what is
// torn is known.
func TestCutAtEveryByte(t *testing.T) {
	t.Parallel()
	m := newMemFS()
	l, data := closedLog(t, m, Options{Sync: time.Hour, CheckpointEvery: 20 * time.Second}, 250, false)
	if len(data) < 64<<10 {
		t.Fatalf("only %d bytes of log", len(data))
	}
	line := 0
	for cut := len(data) - 64<<10; cut <= len(data); cut += stride {
		for line+1 < len(l.lines) && l.lines[line+1].end <= int64(cut) {
			line++
		}
		at := l.lines[line]
		tail, err := readTail(readFile(data[:cut]), false)
		if err != nil {
			t.Fatalf("cut at %d: %v", cut, err)
		}
		if !tail.replay.Coulometer.State().Equal(at.state) || tail.end != at.end || len(tail.Damage) != 0 {
			t.Fatalf("cut at %d, %d bytes behind a %s: tail %+v\nstate %+v\nwant  %+v", cut, int64(cut)-at.end, at.kind, tail, tail.replay.Coulometer.State(), at.state)
		}
		if cut%(61*stride) == 0 {
			goOn(t, m, l, data[:cut], at)
		}
	}
}

// goOn resumes a run from a log that is cut, and goes on with it.
func goOn(t *testing.T, m *memFS, l *live, data []byte, at mark) {
	t.Helper()
	run := l.w.Run()
	m.names[run+"/"+LogName].data = slices.Clone(data)
	w, tail, err := Resume(run, l.o)
	if err != nil {
		t.Fatal(err)
	}
	if tail.CutBytes != int64(len(data))-at.end {
		t.Errorf("%d bytes cut, want %d", tail.CutBytes, int64(len(data))-at.end)
	}
	if _, log := m.log(t); tail.CutBytes > 0 && !bytes.Contains(log[at.end:], []byte(`kind="tail-cut"`)) {
		t.Errorf("the cut is not in the log: %s", log[at.end:])
	}
	again := newLive(t, l.o)
	again.utc = l.utc
	again.resume(w, tail)
	e := untouched
	e.Restarted = true
	again.poll(2*time.Second, e)
	again.must(again.w.Close())
	again.sameAs(replay(t, m, run))
}

// TestEveryFlippedBit flips two bits of every byte of a small closed log, one at a
// time: the lowest, which makes one digit another, and one that goes round. Whatever
// the bit, the total comes out right, because the next checkpoint carries it across; the
// damage is noticed, and its place is named.
func TestEveryFlippedBit(t *testing.T) {
	t.Parallel()
	m := newMemFS()
	l, data := closedLog(t, m, Options{Sync: time.Hour, CheckpointEvery: 15 * time.Second}, 30, true)
	want := l.c.Totals()
	t.Logf("%d bytes, %d lines", len(data), bytes.Count(data, []byte("\n")))
	for at := 0; at < len(data); at += stride {
		for _, bit := range []byte{1, 2 << (at % 7)} {
			data[at] ^= bit
			checkFlip(t, l, data, int64(at), want)
			if t.Failed() {
				t.Fatalf("byte %d, flipped to %q", at, data[at])
			}
			data[at] ^= bit
		}
	}
}

func checkFlip(t *testing.T, l *live, data []byte, at int64, want integrate.Totals) {
	t.Helper()
	report, err := replayAll(newReader(readFile(data), 16<<10), nil)
	if err != nil {
		t.Fatal(err)
	}
	if report.Totals != want {
		t.Errorf("replayed %+v, want %+v", report.Totals, want)
	}
	named := report.TornBytes > 0 && at >= report.Bytes-1
	for _, d := range report.Damage {
		named = named || d.From <= at && at < d.To
	}
	if !named {
		t.Errorf("byte %d is in no damage: %+v", at, report)
	}
	tail, err := readTail(readFile(data), false)
	if err != nil {
		t.Fatal(err)
	}
	if got := tail.replay.Coulometer; !got.State().Equal(l.c.State()) {
		t.Errorf("resumed %+v, want %+v", got.State(), l.c.State())
	}
}

// readFile is a File that can only be read.
func readFile(data []byte) File {
	return &memFile{fs: newMemFS(), inode: &inode{data: data}}
}

// TestDamageIsContained overwrites a stretch in the middle: what is outside stays,
// and the total is that of the watch.
func TestDamageIsContained(t *testing.T) {
	for name, spoil := range map[string]func([]byte){
		"zeros":          func(b []byte) { clear(b) },
		"one long line":  func(b []byte) { copy(b, bytes.ReplaceAll(b, []byte("\n"), []byte("x"))) },
		"empty lines":    func(b []byte) { copy(b, bytes.Repeat([]byte("\n"), len(b))) },
		"another digit":  func(b []byte) { copy(b[bytes.Index(b, []byte("amperes="))+8:], "1") },
		"swapped halves": func(b []byte) { copy(b, append(slices.Clone(b[len(b)/2:]), b[:len(b)/2]...)) },
	} {
		l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: 30 * time.Second}, 500, true)
		from, to := int64(len(data)/2), int64(len(data)/2+3000)
		spoil(data[from:to])
		report, err := replayAll(newReader(readFile(data), 16<<10), nil)
		if err != nil {
			t.Fatal(err)
		}
		if report.Totals != l.c.Totals() || report.Sound() || len(report.Mismatches) != 0 {
			t.Errorf("%s: %+v\nlive %+v", name, report, l.c.Totals())
		}
		// Named from the checkpoint before at the earliest to the one behind at the latest.
		slack := int64(12_000)
		for _, d := range report.Damage {
			if d.From < from-slack || d.To > to+slack || d.From >= d.To {
				t.Errorf("%s: damage %+v far from %d to %d", name, d, from, to)
			}
		}
		if report.Readings < 400 {
			t.Errorf("%s: only %d of 500 readings are usable", name, report.Readings)
		}
	}
}

// TestDamageInTheTail: lines behind the last checkpoint that cannot be read are
// named, the time they covered is booked as a gap, and the books agree with later replays.
func TestDamageInTheTail(t *testing.T) {
	m := newMemFS()
	l, data := closedLog(t, m, Options{Sync: time.Hour, CheckpointEvery: time.Hour}, 300, false)
	run := l.w.Run()
	file := m.names[run+"/"+LogName]
	copy(data[len(data)-4000:len(data)-2000], bytes.Repeat([]byte{0}, 2000))
	file.data = data
	w, tail, err := Resume(run, l.o)
	if err != nil {
		t.Fatal(err)
	}
	if len(tail.Damage) == 0 || tail.Damage[0].From > int64(len(data)-4000) || tail.Damage[len(tail.Damage)-1].To < int64(len(data)-2000) {
		t.Errorf("damage %+v", tail.Damage)
	}
	truth, got := l.c.Totals(), tail.Coulometer.Totals()
	if got.Gaps != truth.Gaps+1 || got.Low() > truth.Charge || got.High() < truth.Charge || got.Elapsed < truth.Elapsed-time.Second {
		t.Errorf("resumed %+v\ntruth  %+v", got, truth)
	}
	again := newLive(t, l.o)
	again.utc = l.utc
	again.resume(w, tail)
	e := untouched
	e.Restarted = true
	again.poll(2*time.Second, e)
	again.must(again.w.Close())
	report := replay(t, m, run)
	if report.Totals != again.c.Totals() || len(report.Mismatches) != 0 || report.Sound() {
		t.Errorf("replayed %+v\nlive %+v", report, again.c.Totals())
	}
	if _, log := m.log(t); !bytes.Contains(log, []byte(`kind="damage"`)) {
		t.Error("the damage is not told in the log")
	}
}

// TestTamperedTotals: a log whose checksums are right but whose totals do not
// follow from its readings is told.
func TestTamperedTotals(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	l.spell(20)
	other := integrate.NewCoulometer(exampleSettings())
	l.must(l.w.Checkpoint(l.utc, other))
	l.must(l.w.Close())
	report := replay(t, m, l.w.Run())
	if report.Sound() || report.DamageCount != 0 || len(report.Mismatches) != 1 || report.Mismatches[0].Replayed != l.c.Totals().Charge {
		t.Errorf("report: %+v", report)
	}
}

// TestTamperedDerivedTotals changes what a checkpoint and the end state for people and
// tools, with every checksum right: each is told, and no more than that.
func TestTamperedDerivedTotals(t *testing.T) {
	_, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: 20 * time.Second}, 60, true)
	for _, field := range []string{",total_charge=", ",total_energy="} {
		start := bytes.Index(data[len(data)/2:], []byte("\ncheckpoint,")) + len(data)/2 + 1
		line := data[start : start+bytes.IndexByte(data[start:], '\n')]
		value := bytes.Index(line, []byte(field)) + len(field)
		body := line[:bytes.LastIndex(line, []byte(lineSumKey))]
		stamp := line[bytes.LastIndexByte(line, ' ')+1:]
		body = slices.Concat(body[:value], []byte("7"), body[value:])
		forged := fmt.Appendf(body, "%s%di %s", lineSumKey, crc32.Update(crc32.Checksum(body, castagnoli), castagnoli, stamp), stamp)
		report, err := replayAll(newReader(readFile(slices.Concat(data[:start], forged, data[start+len(line):])), 16<<10), nil)
		if err != nil {
			t.Fatal(err)
		}
		if report.Sound() || report.DamageCount != 0 || len(report.Mismatches) != 1 || report.Mismatches[0].Offset != int64(start) {
			t.Errorf("%s: %+v", field, report)
		}
	}
	for _, wrong := range []Field{Number("charge_coulombs", 1), Number("energy_joules", 1)} {
		m := newMemFS()
		l := startLive(t, "/data", Options{FS: m})
		l.spell(20)
		l.must(l.w.Entry(l.utc, EntryEnd, "done", wrong))
		l.checkpoint()
		l.must(l.w.Close())
		if report := replay(t, m, l.w.Run()); report.Sound() || report.DamageCount != 0 || len(report.Mismatches) != 1 {
			t.Errorf("an end that states %v: %+v", wrong, report)
		}
	}
}

// TestAReadingTwice copies a reading to behind itself: it is counted once and named, also
// where no checkpoint follows that would tell.
func TestAReadingTwice(t *testing.T) {
	l, data := closedLog(t, newMemFS(), Options{Sync: time.Hour, CheckpointEvery: time.Hour}, 60, false)
	from := bytes.LastIndex(data[:len(data)*3/4], []byte("\nreading,")) + 1
	to := from + bytes.IndexByte(data[from:], '\n') + 1
	twice := slices.Concat(data[:to], data[from:to], data[to:])
	report, err := replayAll(newReader(readFile(twice), 16<<10), nil)
	if err != nil {
		t.Fatal(err)
	}
	if report.Totals != l.c.Totals() || report.DamageCount != 1 || report.Damage[0].From != int64(to) {
		t.Errorf("replayed %+v\nlive     %+v", report, l.c.Totals())
	}
	tail, err := readTail(readFile(twice), false)
	if err != nil {
		t.Fatal(err)
	}
	if !tail.replay.Coulometer.State().Equal(l.c.State()) || len(tail.Damage) != 1 {
		t.Errorf("resumed %+v\nlive    %+v", tail.replay.Coulometer.State(), l.c.State())
	}
}

// TestTailAndReplayRefuseAlike: where a reading makes no sense, the resumed watch and
// a replay of the whole book the same gap for the time that it leaves open.
func TestTailAndReplayRefuseAlike(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	l.spell(5)
	l.utc = l.utc.Add(time.Second)
	l.must(l.w.Reading(l.utc, time.Second, 1e300, 3, "constant-current", "on", drivers.Shown{})) // no coulometer takes it
	l.utc = l.utc.Add(time.Second)
	l.must(l.w.Reading(l.utc, time.Second, 3.2, 3, "constant-current", "on", drivers.Shown{}))
	l.must(l.w.Close())
	report := replay(t, m, l.w.Run())
	_, data := m.log(t)
	tail, err := readTail(readFile(data), false)
	if err != nil {
		t.Fatal(err)
	}
	got := tail.replay.Coulometer.Totals()
	if got != report.Totals || got.Elapsed != l.c.Totals().Elapsed+2*time.Second || got.Gaps != l.c.Totals().Gaps+1 {
		t.Errorf("resumed  %+v\nreplayed %+v", got, report.Totals)
	}
}

// TestALineTooLongIsRefused, because a reader would take it for damage.
func TestALineTooLongIsRefused(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	l.spell(5)
	before := l.w.Offset()
	if err := l.w.Entry(l.utc, "remark", strings.Repeat("x", longestLine)); err == nil || l.w.Offset() != before {
		t.Errorf("a line of over 1 MiB: %v", err)
	}
	l.must(l.w.Entry(l.utc, "remark", strings.Repeat("x", longestLine-200)))
	l.spell(5)
	l.must(l.w.Close())
	l.sameAs(replay(t, m, l.w.Run()))
}

// TestResumeWithoutBegin: a run that was cut before its first line.
func TestResumeWithoutBegin(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m})
	run := l.w.Run()
	file := m.names[run+"/"+LogName]
	for _, content := range []string{"", "entry,cell=zi", strings.Repeat("\x00", 5000)} {
		file.data = []byte(content)
		w, tail, err := Resume(run, l.o)
		if err != nil {
			t.Fatal(err)
		}
		if tail.Coulometer != nil || tail.Ended || tail.CutBytes != int64(len(content)) {
			t.Errorf("%q: %+v", content, tail)
		}
		again := newLive(t, l.o)
		again.begin(w)
		again.spell(10)
		again.must(again.w.Close())
		again.sameAs(replay(t, m, run))
	}
}
