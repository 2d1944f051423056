package runlog

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"nightcell/daemon/housetest"
)

// endedRun is a run that is over, on m.
func endedRun(t *testing.T, m *memFS) (runDir string, ended time.Time) {
	t.Helper()
	l := startLive(t, "/data", Options{FS: m})
	for range 5 {
		l.poll(time.Second, untouched)
	}
	l.must(l.w.Entry(l.utc, EntryEnd, "done"))
	l.checkpoint()
	l.must(l.w.Close())
	return l.w.Run(), l.utc
}

// said is what an entry says, for comparing.
func said(records []Record) (all []string) {
	for _, r := range records {
		x, _ := r.Number("mass_kilograms")
		all = append(all, fmt.Sprintf("%s %s %s %g", r.Text("kind"), r.Text("text"), r.Text("by"), x))
	}
	return all
}

// entryText is short for even numbers and long for odd ones, so that a short entry may follow what is torn of a long one.
func entryText(n int) string {
	return fmt.Sprintf("the %d. \"time\"%s", n, strings.Repeat(" again", n%2*200))
}

func enterOn(m *memFS, run string, n int) error {
	w, err := openLate(m, run)
	return entered(w, err, n)
}

// writers are the two that write lines of this kind: beside the log of a run, and into a ledger.
var writers = map[string]struct {
	file  string
	enter func(m *memFS, dir string, n int) error
}{
	"late": {LateName, enterOn},
	"ledger": {LedgerName, func(m *memFS, dir string, n int) error {
		w, err := openLedger(m, dir, "pickle")
		return entered(w, err, n)
	}},
}

func entered(w *LateWriter, err error, n int) error {
	if err != nil {
		return err
	}
	_, err = w.Append(begin.Add(time.Hour), "weighing", entryText(n), Text("by", "ann"), Number("mass_kilograms", 0.03))
	return errors.Join(err, w.Close())
}

func TestLateEntriesReadBack(t *testing.T) {
	m := newMemFS()
	run, _ := endedRun(t, m)
	_, log := m.log(t)
	sealed := bytes.Clone(log)
	for n := range 3 { // all at the same time, and long before the log's end where the clock went back
		if err := enterOn(m, run, n); err != nil {
			t.Fatal(err)
		}
	}
	late, err := readLate(m, filepath.Join(run, LateName))
	if err != nil || !late.Sound() {
		t.Fatalf("%+v, %v", late, err)
	}
	var want []string
	for n := range 3 {
		want = append(want, "weighing "+entryText(n)+" ann 0.03")
	}
	if got := said(late.Records); !slices.Equal(got, want) {
		t.Errorf("read back: %q", got)
	}
	names := map[string]bool{}
	for _, r := range late.Records {
		if names[r.Name()] || len(r.Name()) != 8 || r.Cell != "zinc-1" || len(r.Fields) != 4 {
			t.Errorf("%s: %+v", r.Name(), r)
		}
		names[r.Name()] = true
	}
	if _, log := m.log(t); !bytes.Equal(log, sealed) {
		t.Error("the log of an ended run was touched")
	}
}

// TestLateEntriesSurviveEveryFault: whatever fails, an entry that was told stands once, and one that was refused does not.
func TestLateEntriesSurviveEveryFault(t *testing.T) {
	for name, to := range writers {
		t.Run(name, func(t *testing.T) { surviveFaults(t, to.file, to.enter) })
	}
}

func surviveFaults(t *testing.T, file string, enterOn func(m *memFS, dir string, n int) error) {
	for _, errno := range []syscall.Errno{syscall.ENOSPC, syscall.EIO, syscall.EROFS} {
		for _, width := range []int{1, 2, 9} {
			for first := 0; ; first++ {
				m := newMemFS()
				run, _ := endedRun(t, m)
				if err := enterOn(m, run, 0); err != nil {
					t.Fatal(err)
				}
				from, hit := len(m.ops), false
				m.fault = func(string, string) error {
					if n := len(m.ops) - 1 - from; n >= first && n < first+width {
						hit = true
						return errno
					}
					return nil
				}
				err := enterOn(m, run, 1)
				m.fault = nil
				if !hit {
					break
				}
				late, readErr := readLate(m, filepath.Join(run, file))
				if readErr != nil || !late.Sound() {
					t.Fatalf("%v at %d+%d: %v %+v", errno, first, width, readErr, late)
				}
				switch n := len(late.Records); {
				case err == nil && n != 2, n < 1 || n > 2:
					t.Errorf("%v at %d+%d: %d entries after %v", errno, first, width, n, err)
				case err != nil && n == 2 && !strings.Contains(err.Error(), "check the list"):
					t.Errorf("%v at %d+%d: the entry stands, and it was said: %v", errno, first, width, err)
				case n == 1: // said again, it stands once
					if err := enterOn(m, run, 1); err != nil {
						t.Fatal(err)
					}
				}
				late, _ = readLate(m, filepath.Join(run, file))
				if got := said(Counting(late.Records)); len(got) != 2 || got[1] != "weighing "+entryText(1)+" ann 0.03" || !late.Sound() {
					t.Errorf("%v at %d+%d: %q, %+v", errno, first, width, got, late.Damage)
				}
			}
		}
	}
}

// TestLateEntriesSurvivePowerCuts cuts the power before every file operation of an entry, and again during the next one.
func TestLateEntriesSurvivePowerCuts(t *testing.T) {
	for name, to := range writers {
		t.Run(name, func(t *testing.T) { survivePowerCuts(t, to.file, to.enter) })
	}
}

func survivePowerCuts(t *testing.T, file string, enterOn func(m *memFS, dir string, n int) error) {
	type cut struct{}
	try := func(m *memFS, run string, n, at int) (done, over bool) {
		from := len(m.ops)
		m.fault = func(string, string) error {
			if len(m.ops)-1-from == at {
				panic(cut{})
			}
			return nil
		}
		defer func() {
			m.fault = nil
			if r := recover(); r != nil {
				if _, is := r.(cut); !is {
					panic(r)
				}
			}
		}()
		return enterOn(m, run, n) == nil, true
	}
	for seed := range uint64(housetest.Thinned(30)) {
		for first := 0; ; first++ {
			m := newMemFS()
			run, _ := endedRun(t, m)
			rng := rand.New(rand.NewPCG(seed, uint64(first)))
			told := 1
			if err := enterOn(m, run, 0); err != nil {
				t.Fatal(err)
			}
			done, over := try(m, run, 1, first)
			if done {
				told++
			}
			m.powerCut(rng)
			if done, _ := try(m, run, 2, rng.IntN(20)); done {
				told++
			}
			m.powerCut(rng)
			late, err := readLate(m, filepath.Join(run, file))
			if err != nil || !late.Sound() {
				t.Fatalf("seed %d, cut at %d: %v %+v", seed, first, err, late)
			}
			if err := enterOn(m, run, 3); err != nil {
				t.Fatal(err)
			}
			late, _ = readLate(m, filepath.Join(run, file))
			got := said(Counting(late.Records))
			if len(got) < told+1 || len(slices.Compact(slices.Clone(got))) != len(got) || !late.Sound() {
				t.Fatalf("seed %d, cut at %d: %d were told, and there are %q, %+v", seed, first, told, got, late.Damage)
			}
			if over {
				break
			}
		}
	}
}

func TestDamageToLateEntriesIsNamed(t *testing.T) {
	m := newMemFS()
	run, _ := endedRun(t, m)
	for n := range 4 {
		if err := enterOn(m, run, n); err != nil {
			t.Fatal(err)
		}
	}
	file := func() *inode { return m.names[filepath.Join(run, LateName)] } // each entry makes another one
	whole := bytes.Clone(file().data)
	lines := bytes.SplitAfter(whole, []byte("\n"))[:4]
	join := func(l ...[]byte) []byte { return bytes.Join(l, nil) }
	for name, tt := range map[string]struct {
		data    []byte
		entries int
		damage  int
	}{
		"a figure altered":   {bytes.Replace(whole, []byte("0.03"), []byte("0.04"), 1), 3, 1},
		"a line taken out":   {join(lines[0], lines[2], lines[3]), 3, 1},
		"the first one gone": {join(lines[1:]...), 3, 1},
		"a line twice":       {join(lines[0], lines[1], lines[1], lines[2], lines[3]), 4, 1},
		"two changed round":  {join(lines[0], lines[2], lines[1], lines[3]), 3, 2},
		"another's line":     {join(lines[0], []byte("entry,cell=x kind=\"cost\" 1\n"), lines[1], lines[2], lines[3]), 4, 1},
		"no line at all":     {join(lines[0], []byte("what\n"), lines[1], lines[2], lines[3]), 4, 1},
	} {
		file().data = tt.data
		late, err := readLate(m, filepath.Join(run, LateName))
		if err != nil || len(late.Records) != tt.entries || len(late.Damage) != tt.damage || late.Sound() {
			t.Errorf("%s: %d entries, %+v, %v", name, len(late.Records), late, err)
		}
		// It stays as it is, and the next entry stands behind it.
		if err := enterOn(m, run, 9); err != nil || !bytes.HasPrefix(file().data, tt.data) {
			t.Errorf("%s: %v", name, err)
		}
		again, err := readLate(m, filepath.Join(run, LateName))
		if err != nil || len(again.Damage) != tt.damage || len(again.Records) != tt.entries+1 {
			t.Errorf("%s, with one more: %+v, %v", name, again, err)
		}
	}
}

func TestRetractions(t *testing.T) {
	m := newMemFS()
	run, at := endedRun(t, m)
	w, err := openLate(m, run)
	if err != nil {
		t.Fatal(err)
	}
	enter := func(kind string, fields ...Field) string {
		r, err := w.Append(at, kind, "", append(fields, Text("by", "ann"))...)
		if err != nil {
			t.Fatal(err)
		}
		return r.Name()
	}
	first := enter("weighing", Number("mass_kilograms", 1))
	enter("weighing", Number("mass_kilograms", 2))
	back := enter(EntryRetract, Text(RetractedEntry, first))
	counts := func(want ...float64) {
		t.Helper()
		var got []float64
		for _, r := range Counting(w.Records) {
			x, _ := r.Number("mass_kilograms")
			got = append(got, x)
		}
		if !slices.Equal(got, want) {
			t.Errorf("what counts: %v, want %v", got, want)
		}
	}
	counts(2)
	enter(EntryRetract, Text(RetractedEntry, back))
	counts(1, 2)
	enter(EntryRetract, Text(RetractedEntry, "nothing!"))
	counts(1, 2)
}

// TestTwoWritersTakeTurns: on a real disk, with the real lock.
func TestTwoWritersTakeTurns(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{})
	l.must(l.w.Entry(l.utc, "weighing", "blank", Text("by", "bob")))
	l.must(l.w.Entry(l.utc, EntryEnd, "done"))
	l.checkpoint()
	l.must(l.w.Close())
	run := l.w.Run()
	const writers, each = 8, 5
	var all sync.WaitGroup
	for i := range writers {
		all.Go(func() {
			for n := range each {
				w, err := OpenLate(run)
				if err != nil {
					t.Error(err)
					return
				}
				_, err = w.Append(l.utc, "remark", fmt.Sprint(i, " ", n), Text("by", "ann"))
				if err = errors.Join(err, w.Close()); err != nil {
					t.Error(err)
				}
			}
		})
	}
	all.Wait()
	late, err := LateEntries(run)
	if err != nil || len(late) != writers*each {
		t.Errorf("%d entries, %v", len(late), err)
	}
	if l, err := ReadLate(run); err != nil || !l.Sound() {
		t.Errorf("%+v, %v", l, err)
	}
	if everything, err := PersonsEntries(run); err != nil || len(everything) != writers*each+1 || everything[0].Text("text") != "blank" {
		t.Errorf("%d entries in all, %v", len(everything), err)
	}
	if _, err := os.Stat(filepath.Join(run, "late.lock")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the lock stays: %v", err)
	}
	if _, err := OpenLate(t.TempDir()); err == nil || !strings.Contains(err.Error(), "a run is a directory that contains log.lp") {
		t.Errorf("no run: %v", err)
	}
}

// TestAnEndWithoutItsLineFeedStays: nothing of ours leaves one. It is named, and the next entry stands behind it.
func TestAnEndWithoutItsLineFeedStays(t *testing.T) {
	m := newMemFS()
	run, _ := endedRun(t, m)
	if err := enterOn(m, run, 0); err != nil {
		t.Fatal(err)
	}
	file := m.names[filepath.Join(run, LateName)]
	file.data = append(file.data, "entry,cell=zinc-1 before=1i,kind="...)
	if late, err := readLate(m, filepath.Join(run, LateName)); err != nil || len(late.Damage) != 1 || len(late.Records) != 1 {
		t.Errorf("%+v, %v", late, err)
	}
	was := bytes.Clone(file.data)
	if err := enterOn(m, run, 2); err != nil {
		t.Fatal(err)
	}
	late, err := readLate(m, filepath.Join(run, LateName))
	if err != nil || len(late.Damage) != 1 || len(late.Records) != 2 || !bytes.HasPrefix(late.data, was) {
		t.Errorf("%+v, %v", late, err)
	}
}

// TestNoByteOfLateEntriesIsAlteredUnseen alters every byte of a file, one after the other.
func TestNoByteOfLateEntriesIsAlteredUnseen(t *testing.T) {
	m := newMemFS()
	run, _ := endedRun(t, m)
	for n := range 3 {
		if err := enterOn(m, run, 2*n); err != nil {
			t.Fatal(err)
		}
	}
	file := m.names[filepath.Join(run, LateName)]
	whole := bytes.Clone(file.data)
	for i := range whole {
		for _, other := range []byte{whole[i] ^ 1, '\n', 0, 'x'} {
			if other == whole[i] {
				continue
			}
			file.data = bytes.Clone(whole)
			file.data[i] = other
			if late, err := readLate(m, filepath.Join(run, LateName)); err != nil || late.Sound() {
				t.Fatalf("byte %d of %d from %q to %q: %v", i, len(whole), whole[i], other, err)
			}
		}
	}
}

// TestLateFileChanged: another file in its place is seen although size and time are the same, and an untouched one is not read again.
func TestLateFileChanged(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, LateName)
	was := time.Unix(1e9, 0)
	write := func(name, text string, at time.Time) {
		if err := errors.Join(os.WriteFile(name, []byte(text), 0o600), os.Chtimes(name, at, at)); err != nil {
			t.Fatal(err)
		}
	}
	var before fs.FileInfo
	look := func(what string, want bool) {
		now, changed := LateFile(dir, before)
		if before = now; changed != want {
			t.Errorf("%s: changed %v", what, changed)
		}
	}
	look("none", false)
	write(path, "one", was)
	look("the first entry", true)
	look("untouched", false)
	write(path+".new", "two", was)
	if err := os.Rename(path+".new", path); err != nil {
		t.Fatal(err)
	}
	look("another file of that size and time", true)
	write(path, "three", was)
	look("another size", true)
	write(path, "three", was.Add(time.Second))
	look("another time", true)
}
