package runlog

import (
	"bytes"
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"nightcell/drivers"
	"nightcell/integrate"
)

// TestReaderFollowsAGrowingLog reads on while the watch writes, as a push or a
// notice route does: whole lines only, each once, from cursors kept between readers.
func TestReaderFollowsAGrowingLog(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m, Sync: time.Hour})
	cursor, readings := int64(0), 0
	var rec Record
	for range 50 {
		l.spell(7)
		r, err := open(m, l.w.Run())
		l.must(err)
		l.must(r.SeekTo(cursor))
		for err == nil {
			if err = r.Next(&rec); err == nil && rec.Kind == KindReading {
				readings++
			}
		}
		if !errors.Is(err, io.EOF) || r.Offset() != l.w.Offset() {
			t.Fatalf("%v at %d; the log ends at %d", err, r.Offset(), l.w.Offset())
		}
		// The same reader goes on when more has come.
		l.poll(time.Second, untouched)
		for err = r.Next(&rec); err == nil && rec.Kind != KindReading; err = r.Next(&rec) {
			t.Logf("%s before the reading", rec.Kind)
		}
		l.must(err)
		readings++
		cursor = r.Offset()
		l.must(r.Close())
	}
	if readings != l.polls {
		t.Errorf("%d readings seen of %d", readings, l.polls)
	}
}

// TestHalfALineIsNotRead: a reader that comes in the middle of a write waits for the rest.
func TestHalfALineIsNotRead(t *testing.T) {
	_, data := closedLog(t, newMemFS(), Options{Sync: time.Hour}, 3, true)
	second := bytes.IndexByte(data, '\n') + 1
	file := readFile(data[:second+20]).(*memFile)
	r := newReader(file, 64)
	var rec Record
	if err := r.Next(&rec); err != nil {
		t.Fatal(err)
	}
	for range 2 {
		if err := r.Next(&rec); !errors.Is(err, io.EOF) || r.Offset() != int64(second) {
			t.Fatalf("%v at %d", err, r.Offset())
		}
	}
	file.data = data
	if err := r.Next(&rec); err != nil || rec.Kind != KindCheckpoint {
		t.Errorf("%v, %s", err, rec.Kind)
	}
}

// TestSeekTo: a cursor stays on a line's beginning whatever it was.
func TestSeekTo(t *testing.T) {
	_, data := closedLog(t, newMemFS(), Options{Sync: time.Hour}, 20, true)
	for at := -1; at <= len(data)+1; at++ {
		r := newReader(readFile(data), 1<<10)
		if err := r.SeekTo(int64(at)); err != nil {
			t.Fatal(err)
		}
		within := min(max(at, 0), len(data))
		if want := int64(bytes.LastIndexByte(data[:within], '\n') + 1); r.Offset() != want {
			t.Fatalf("cursor %d: at %d, want %d", at, r.Offset(), want)
		}
	}
}

// TestLongGarbage: megabytes without a line feed are one damage, and the next line is read.
func TestLongGarbage(t *testing.T) {
	_, data := closedLog(t, newMemFS(), Options{Sync: time.Hour}, 20, true)
	at := bytes.IndexByte(data, '\n') + 1
	garbage := append(bytes.Repeat([]byte{0}, 3<<20), '\n')
	spoiled := slices.Concat(data[:at], garbage, data[at:])
	r := newReader(readFile(spoiled), 4<<10)
	var rec Record
	if err := r.Next(&rec); err != nil {
		t.Fatal(err)
	}
	var d *Damage
	if err := r.Next(&rec); !errors.As(err, &d) || d.From != int64(at) || d.To != int64(at+len(garbage)) {
		t.Fatalf("%v", err)
	}
	if err := r.Next(&rec); err != nil {
		t.Error(err)
	}
}

// TestOneWritePerLine, so that a tool that follows the log sees whole lines.
func TestOneWritePerLine(t *testing.T) {
	m := newMemFS()
	l := startLive(t, "/data", Options{FS: m, Sync: time.Second})
	l.spell(100)
	writes := 0
	for _, op := range m.ops {
		if op == "write "+LogName {
			writes++
		}
	}
	_, data := m.log(t)
	if lines := bytes.Count(data, []byte("\n")); writes != lines {
		t.Errorf("%d writes for %d lines", writes, lines)
	}
}

// TestResumeReadsOnlyTheTail, whatever the length of the log.
func TestResumeReadsOnlyTheTail(t *testing.T) {
	read := map[int]int64{}
	for _, n := range []int{2_000, 40_000} {
		m := newMemFS()
		l := startLive(t, "/data", Options{FS: m, Sync: time.Hour})
		for range n {
			l.poll(time.Second, untouched)
		}
		l.must(l.w.Close())
		m.read = 0
		_, tail, err := Resume(l.w.Run(), l.o)
		l.must(err)
		if tail.Coulometer.Totals() != l.c.Totals() {
			t.Error("the totals differ")
		}
		_, data := m.log(t)
		t.Logf("%d readings, %d bytes of log: %d bytes read", n, len(data), m.read)
		read[n] = m.read
	}
	if read[40_000] > 100<<10 || read[40_000] > 3*read[2_000] {
		t.Errorf("bytes read by length: %v", read)
	}
}

func TestReadingAllocatesNothing(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{Sync: time.Hour})
	if n := testing.AllocsPerRun(2000, func() {
		l.utc = l.utc.Add(time.Second)
		l.must(l.w.Reading(l.utc, time.Second, 3.214, 3.001, "constant-current", "on", drivers.Shown{}))
	}); n != 0 {
		t.Errorf("%v allocations per reading written", n)
	}
	l.must(l.w.Close())
	r, err := Open(l.w.Run())
	l.must(err)
	var rec Record
	for range 10 {
		l.must(r.Next(&rec))
	}
	if n := testing.AllocsPerRun(1000, func() { l.must(r.Next(&rec)) }); n != 0 {
		t.Errorf("%v allocations per reading read", n)
	}
	l.must(r.Close())
}

// TestRunNames: runs sort by their beginning, also when the clock has gone back, as
// on a board that boots in 1970.
func TestRunNames(t *testing.T) {
	dir := t.TempDir()
	var last string
	for _, at := range []time.Time{begin, begin, begin.Add(-56 * 365 * 24 * time.Hour), begin.Add(time.Hour)} {
		w, err := Create(dir, "zinc-1", at, nil, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if name := filepath.Base(w.Run()); name <= last {
			t.Errorf("run %s does not sort behind %s", name, last)
		} else {
			last = name
		}
		if run, ended, err := LatestRun(dir, "zinc-1"); run != w.Run() || ended || err != nil {
			t.Errorf("latest run %s, %v, %v", run, ended, err)
		}
	}
	if _, _, err := LatestRun(dir, "silver-1"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a cell without runs: %v", err)
	}
	for _, bad := range []string{"a/b", "..", "", "a\nb"} {
		if _, err := Create(dir, bad, begin, nil, Options{}); err == nil {
			t.Errorf("a cell called %q is accepted", bad)
		}
	}
	if _, err := Create(filepath.Join(dir, "runs", "zinc-1", last, LogName), "zinc-1", begin, nil, Options{}); err == nil || !strings.Contains(err.Error(), "may write to") {
		t.Errorf("a file as the data directory: %v", err)
	}
	if _, _, err := Resume(dir, Options{}); err == nil || !strings.Contains(err.Error(), "a run is a directory that contains log.lp") {
		t.Errorf("resuming what is no run: %v", err)
	}
}

func TestWriterRefusesWhatIsNoReading(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{})
	before := l.w.Offset()
	nan := 0.0
	nan /= nan
	for _, err := range []error{
		l.w.Reading(l.utc, 0, nan, 1, "", "", drivers.Shown{}), l.w.Reading(l.utc, 0, 1, nan, "", "", drivers.Shown{}), l.w.Reading(l.utc, -1, 1, 1, "", "", drivers.Shown{}),
	} {
		if err == nil || l.w.Offset() != before {
			t.Errorf("accepted: %v", err)
		}
	}
	l.must(l.w.Gap(l.utc, "late", integrate.Gap{}, integrate.Evidence{LimitAmperes: nan}))
	l.must(l.w.Close())
}

func TestWriteFileAtomic(t *testing.T) {
	path := filepath.Join(t.TempDir(), "state")
	for _, content := range []string{"one", "", "three"} {
		if err := WriteFileAtomic(Disk{}, path, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || string(got) != content {
			t.Errorf("%q, %v; want %q", got, err, content)
		}
	}
	// Whichever operation fails, the old content or the new stands, whole, also after a power cut.
	for at := 0; ; at++ {
		m := newMemFS()
		if err := WriteFileAtomic(m, "/data/state", []byte("old"), 0o600); err != nil {
			t.Fatal(err)
		}
		m.ops = nil
		m.fault = func(string, string) error {
			if len(m.ops)-1 == at {
				return errors.New("no")
			}
			return nil
		}
		err := WriteFileAtomic(m, "/data/state", []byte("newer"), 0o600)
		if at >= len(m.ops) {
			if err != nil {
				t.Error(err)
			}
			break
		}
		seen := string(m.names["/data/state"].data)
		m.powerCut(startRand())
		kept := string(m.names["/data/state"].data)
		for _, got := range []string{seen, kept} {
			if got != "old" && got != "newer" {
				t.Errorf("operation %d fails with %v: content %q", at, err, got)
			}
		}
		if err == nil {
			t.Errorf("operation %d fails and nobody is told", at)
		}
	}
}
