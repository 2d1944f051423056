package runlog

import (
	"errors"
	"io"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"

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
	w   *Writer
	c   *integrate.Coulometer
	rng *rand.Rand
	utc time.Time
	at  time.Duration
}

func startLive(t testing.TB, dir string, o Options) *live {
	t.Helper()
	w, err := Create(dir, "zinc-1", begin, []byte("# frozen\n"), o)
	if err != nil {
		t.Fatal(err)
	}
	l := &live{t: t, w: w, c: integrate.NewCoulometer(exampleSettings()), rng: rand.New(rand.NewPCG(1, 2)), utc: begin}
	if err := w.Begin(l.utc, exampleSettings(), "a run"); err != nil {
		t.Fatal(err)
	}
	return l
}

// poll takes one reading after d and logs it, with the gap before it if it is one.
func (l *live) poll(d time.Duration, e integrate.Evidence) {
	l.t.Helper()
	l.utc = l.utc.Add(d)
	l.at += d
	volts, amperes := 3.2+float64(l.rng.IntN(20))/1000, 3+float64(l.rng.IntN(9)-4)/1000
	step, err := l.c.Add(integrate.Sample{At: l.at, Volts: volts, Amperes: amperes}, e)
	if err != nil {
		l.t.Fatal(err)
	}
	if step.IsGap {
		if err := l.w.Gap(l.utc, "late", step.Gap, e); err != nil {
			l.t.Fatal(err)
		}
	}
	if err := l.w.Reading(l.utc, step.Elapsed, volts, amperes, "constant-current", "on"); err != nil {
		l.t.Fatal(err)
	}
	if l.w.CheckpointDue() {
		l.checkpoint()
	}
}

func (l *live) checkpoint() {
	l.t.Helper()
	if err := l.w.Checkpoint(l.utc, l.c); err != nil {
		l.t.Fatal(err)
	}
}

func TestReplayIsBitIdentical(t *testing.T) {
	l := startLive(t, t.TempDir(), Options{Sync: time.Hour})
	for i := range 5000 {
		d := time.Second + time.Duration(l.rng.IntN(1e8))
		e := integrate.Evidence{OnBefore: true, OnAfter: i%3 == 0, SameInstrument: true, SetPointsUnchanged: true, LimitAmperes: 3.3}
		if i%700 == 699 {
			d = time.Minute
		}
		l.poll(d, e)
		if i%500 == 0 {
			l.checkpoint()
		}
	}
	if err := l.w.Settle(l.utc, "it was off", 2, 0, 1, 2); err != nil {
		t.Fatal(err)
	}
	if err := l.c.Settle(2, 0, 1, 2); err != nil {
		t.Fatal(err)
	}
	l.checkpoint()
	if err := l.w.Close(); err != nil {
		t.Fatal(err)
	}
	report, err := ReplayFile(l.w.Run())
	if err != nil {
		t.Fatal(err)
	}
	if !report.Sound() || report.UncheckedBytes != 0 || report.Gaps != 7 {
		t.Errorf("report: %+v", report)
	}
	if got, want := report.Totals, l.c.Totals(); got != want {
		t.Errorf("replayed %+v\nlive %+v", got, want)
	}
	w, tail, err := Resume(l.w.Run(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if !tail.Coulometer.State().Equal(l.c.State()) || tail.LastNanos != w.nanos || tail.Last.Output != "on" {
		t.Errorf("tail: %+v", tail)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	run, ended, err := LatestRun(filepath.Dir(filepath.Dir(filepath.Dir(l.w.Run()))), "zinc-1")
	if run != l.w.Run() || ended || err != nil {
		t.Errorf("latest run %s, ended %v, %v", run, ended, err)
	}
	r, err := Open(l.w.Run())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var rec Record
	for err == nil {
		err = r.Next(&rec)
	}
	if !errors.Is(err, io.EOF) {
		t.Error(err)
	}
}
