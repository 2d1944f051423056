package runlog

import (
	"math/rand/v2"
	"testing"
	"time"

	"nightcell/drivers"
	"nightcell/integrate"
)

var begin = time.Date(2026, 1, 10, 20, 0, 0, 0, time.UTC)

func exampleSettings() integrate.Settings {
	return integrate.Settings{
		GapAfter: 10 * time.Second, GainRelative: 0.001, OffsetAmperes: 0.005, ResolutionAmperes: 0.001,
		VoltGainRelative: 0.001, VoltOffset: 0.02, VoltResolution: 0.01, TimebaseRelative: 50e-6,
	}
}

// live is a watch as far as the log sees it: it counts and writes.
type live struct {
	t   testing.TB
	o   Options
	w   *Writer
	c   *integrate.Coulometer
	rng *rand.Rand
	utc time.Time
	at  time.Duration

	polls int
	// lines holds, for every line written, where it ends and what was counted by then.
	lines []mark
	marks bool // keep lines
}

type mark struct {
	end   int64
	state integrate.State
	kind  Kind
}

// newLive makes a watch whose clock is its own polls.
func newLive(t testing.TB, o Options) *live {
	l := &live{t: t, rng: rand.New(rand.NewPCG(1, 2)), utc: begin}
	o.Now = func() time.Time { return l.utc }
	l.o = o
	return l
}

func startLive(t testing.TB, dir string, o Options) *live {
	t.Helper()
	l := newLive(t, o)
	w, err := Create(dir, "zinc-1", begin, []byte("# frozen\n"), l.o)
	if err != nil {
		t.Fatal(err)
	}
	l.begin(w)
	return l
}

func (l *live) begin(w *Writer) {
	l.t.Helper()
	l.w, l.c = w, integrate.NewCoulometer(exampleSettings())
	l.must(w.Begin(l.utc, exampleSettings(), "a run"))
}

// resume takes over from the log's end, as after a kill.
func (l *live) resume(w *Writer, tail *Tail) {
	l.t.Helper()
	l.w, l.c = w, tail.Coulometer
	last, _ := l.c.Last()
	l.at = last.At
	l.checkpoint()
}

func (l *live) must(err error) {
	l.t.Helper()
	if err != nil {
		l.t.Fatal(err)
	}
}

func (l *live) mark(k Kind) {
	if l.marks {
		l.lines = append(l.lines, mark{l.w.Offset(), l.c.State(), k})
	}
}

var untouched = integrate.Evidence{OnBefore: true, OnAfter: true, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3.3}

// poll takes one reading after d and logs it, with the gap before it if it is one.
func (l *live) poll(d time.Duration, e integrate.Evidence) {
	l.t.Helper()
	l.utc = l.utc.Add(d)
	l.at += d
	volts, amperes := 3.2+float64(l.rng.IntN(20))/1000, 3+float64(l.rng.IntN(9)-4)/1000
	before := l.c.State()
	step, err := l.c.Add(integrate.Sample{At: l.at, Volts: volts, Amperes: amperes}, e)
	l.must(err)
	if step.IsGap {
		l.must(l.w.Gap(l.utc, "late", step.Gap, e))
		if l.marks {
			l.lines = append(l.lines, mark{l.w.Offset(), before, KindGap})
		}
	}
	l.must(l.w.Reading(l.utc, step.Elapsed, volts, amperes, "constant-current", "on", drivers.Shown{}))
	l.mark(KindReading)
	l.polls++
	if l.w.CheckpointDue() {
		l.checkpoint()
	}
}

func (l *live) checkpoint() {
	l.t.Helper()
	l.must(l.w.Checkpoint(l.utc, l.c, Text("memory", `{"said":"\"x\\n\""}`)))
	l.mark(KindCheckpoint)
}

// spell is some minutes of a night with everything that a log can hold.
func (l *live) spell(n int) {
	l.t.Helper()
	for i := range n {
		switch l.rng.IntN(12) {
		case 0:
			l.must(l.w.Alarm(l.utc, "over-current", Text("state", "UNACK"), Text("priority", "high"), Number("value", 3.4), Text("text", `3.4 A, "limit" 3.3 A`), Flag("first", true)))
			l.mark(KindAlarm)
		case 1:
			l.must(l.w.Notice(l.utc, Text("id", "a-1"), Text("kind", "alarm"), Text("condition", "over-current"), Text("priority", "high"), Text("subject", "zinc-1"), Text("text", "look, now = then")))
			l.mark(KindNotice)
		case 2:
			l.must(l.w.Entry(l.utc, "sample", "2 mL, by Ä", Number("volume", 2e-6)))
			l.mark(KindEntry)
		case 3:
			l.must(l.w.Output(l.utc, "hold", "verified", ""))
			l.mark(KindOutput)
		case 4:
			z := integrate.Zero{Amperes: l.rng.Float64() * 1e-3, Uncertainty: 1e-4}
			l.must(l.w.Entry(l.utc, EntryZero, "", Number("amperes", z.Amperes), Number("standard_uncertainty", z.Uncertainty)))
			l.must(l.c.SetZero(z))
			l.mark(KindEntry)
		case 5:
			k := integrate.Correction{Factor: 1 + l.rng.Float64()*1e-3, Uncertainty: 1e-4}
			l.must(l.w.Entry(l.utc, EntryCheck, "shunt", Number("factor", k.Factor), Number("standard_uncertainty", k.Uncertainty)))
			l.must(l.c.SetCorrection(k))
			l.mark(KindEntry)
		}
		if i%25 == 24 {
			e := untouched
			e.OnAfter = l.rng.IntN(2) == 0
			l.poll(time.Minute+time.Duration(l.rng.IntN(1e9)), e)
			index := l.c.State().GapCount - 1
			l.must(l.w.Entry(l.utc, EntrySettle, "it ran on", Integer("index", int64(index)), Number("low", 0), Number("best", 10), Number("high", 100)))
			l.must(l.c.Settle(index, 0, 10, 100))
			l.mark(KindEntry)
			continue
		}
		l.poll(time.Second+time.Duration(l.rng.IntN(1e7)), untouched)
	}
}

// replay reads the log at run from end to end.
func replay(t testing.TB, fsys FS, run string) *Report {
	t.Helper()
	r, err := open(fsys, run)
	if err != nil {
		t.Fatal(err)
	}
	report, err := replayAll(r, nil)
	if err != nil {
		t.Fatal(err)
	}
	return report
}

// sameAs checks that a sound log gives what the watch counted.
func (l *live) sameAs(report *Report) {
	l.t.Helper()
	if !report.Sound() || report.TornBytes != 0 {
		l.t.Errorf("the log is not sound: %+v", report)
	}
	want := l.c.Totals()
	if report.Totals != want {
		l.t.Errorf("replayed %+v\nlive     %+v", report.Totals, want)
	}
}

func TestReplayIsBitIdentical(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{Sync: time.Hour})
	l.spell(3000)
	l.checkpoint()
	if err := l.w.Close(); err != nil {
		t.Fatal(err)
	}
	report, err := ReplayFile(l.w.Run())
	if err != nil {
		t.Fatal(err)
	}
	l.sameAs(report)
	if report.Readings != 3000 || report.Totals.Gaps != 120 || report.UncheckedBytes != 0 || report.Checkpoints < 50 {
		t.Errorf("report: %+v", report)
	}
	// The slow way past checkpoints finds the same.
	v := 0
	_, err = ExportLines(l.w.Run(), writerFunc(func(b []byte) (int, error) { v += len(b); return len(b), nil }), nil)
	if int64(v) != report.Bytes || err != nil {
		t.Errorf("%d bytes exported of %d, %v", v, report.Bytes, err)
	}
}

type writerFunc func([]byte) (int, error)

func (f writerFunc) Write(b []byte) (int, error) { return f(b) }

func TestResumeGoesOnBitForBit(t *testing.T) {
	dir := t.TempDir()
	l := startLive(t, dir, Options{Sync: time.Hour})
	for range 20 {
		l.spell(37)
		if err := l.w.Close(); err != nil { // and no last checkpoint
			t.Fatal(err)
		}
		before := l.c.State()
		w, tail, err := Resume(l.w.Run(), l.o)
		if err != nil {
			t.Fatal(err)
		}
		if !tail.Coulometer.State().Equal(before) || tail.Last.Output != "on" || tail.Last.Nanos == 0 || tail.CutBytes != 0 || len(tail.Damage) != 0 {
			t.Fatalf("tail %+v\nstate %+v\nwant  %+v", tail, tail.Coulometer.State(), before)
		}
		if got := tail.Checkpoint.Text("memory"); got != `{"said":"\"x\\n\""}` && tail.Checkpoint.Nanos != begin.UnixNano()+1 {
			t.Fatalf("the watch's own field came back as %q", got)
		}
		l.resume(w, tail)
		e := untouched
		e.Restarted = true
		l.poll(3*time.Second, e)
	}
	l.must(l.w.Entry(l.utc, EntryEnd, "done"))
	l.must(l.w.Close())
	run, ended, err := LatestRun(dir, "zinc-1")
	if run != l.w.Run() || !ended || err != nil {
		t.Errorf("latest run %s, ended %v, %v", run, ended, err)
	}
	report, err := ReplayFile(run)
	if err != nil {
		t.Fatal(err)
	}
	l.sameAs(report)
	if !report.Ended || report.Totals.Gaps < 20 {
		t.Errorf("report: %+v", report)
	}
	l.w, _, err = Resume(run, l.o) // an operator's word after the end
	if err != nil {
		t.Fatal(err)
	}
	l.must(l.w.Entry(l.utc, "weighing", "", Number("mass", 0.0312)))
	l.checkpoint()
	l.must(l.w.Close())
	if _, ended, err := LatestRun(dir, "zinc-1"); !ended || err != nil {
		t.Errorf("ended %v, %v", ended, err)
	}
}

// sample moves the clock on by a second and returns a steady sample.
func sample(l *live) integrate.Sample {
	l.utc = l.utc.Add(time.Second)
	l.at += time.Second
	return integrate.Sample{At: l.at, Volts: 3.2, Amperes: 3}
}
