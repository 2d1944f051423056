package runlog

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"nightcell/integrate"
)

// TestLogBegunBeforeTheRipple: testdata/before-ripple was written (with invented
// readings) before gaps took the ripple into account. Every figure in it still follows from its
// readings, and a watch that takes it up goes on as it began.
func TestLogBegunBeforeTheRipple(t *testing.T) {
	dir := t.TempDir()
	for _, name := range []string{LogName, "run.toml"} {
		data, err := os.ReadFile(filepath.Join("testdata", "before-ripple", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	sound := func() *Report {
		t.Helper()
		report, err := ReplayFile(dir)
		if err != nil || !report.Sound() || report.Checkpoints < 3 || report.Totals.Gaps < 2 {
			t.Fatalf("%+v, %v", report, err)
		}
		return report
	}
	before := sound()
	l := newLive(t, Options{CheckpointEvery: 20 * time.Second})
	l.utc = begin.Add(time.Hour)
	w, tail, err := Resume(dir, l.o)
	l.must(err)
	if !tail.Coulometer.Settings().EarlierDoubts || tail.Coulometer.Totals() != before.Totals {
		t.Errorf("taken up with %+v as %+v, replayed %+v", tail.Coulometer.Settings(), tail.Coulometer.Totals(), before.Totals)
	}
	l.resume(w, tail)
	l.spell(60)
	l.checkpoint()
	want := l.c.Totals()
	l.must(l.w.Close())
	if after := sound(); after.Totals != want || after.Totals.Gaps <= before.Totals.Gaps {
		t.Errorf("replayed %+v, live %+v", after.Totals, want)
	}
}

// TestRippleIsCarried: a new log says that its gaps take the ripple into account, and a
// watch that takes it up knows the ripple to the bit. One that is garbled is refused.
func TestRippleIsCarried(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{})
	l.spell(200)
	l.checkpoint()
	l.must(l.w.Close())
	w, tail, err := Resume(l.w.Run(), l.o)
	l.must(err)
	l.must(w.Close())
	got, want := tail.Coulometer.State(), l.c.State()
	if tail.Coulometer.Settings().EarlierDoubts || !got.Equal(want) || want.Ripple[0].Count < 100 || want.Ripple[3].Count < 1 {
		t.Errorf("%+v\nwant %+v", got.Ripple, want.Ripple)
	}
	text := encodeRipple(want.Ripple[:])
	for name, bad := range map[string]string{"cut": text[:len(text)/2], "words": text + " 1", "not a number": "x" + text, "none": ""} {
		var into integrate.State
		if err := decodeRipple(bad, into.Ripple[:]); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
}
