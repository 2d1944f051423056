package history

import (
	"context"
	"errors"
	"log/slog"
	"math"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"testing/synctest"
	"time"
	"unsafe"

	"pgregory.net/rapid"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

const cellName = "zinc-1"

var begin = time.Date(2026, 3, 1, 21, 15, 0, 0, time.UTC)

// sample is one reading of a made-up run.
type sample struct {
	at             time.Time
	volts, amperes float64
}

// tester is a test, or one draw of a property, whose files are closed with it.
type tester interface {
	rapid.TB
	Cleanup(func())
}

// author writes a run as the watch would.
type author struct {
	t     tester
	w     *runlog.Writer
	count *integrate.Coulometer
	last  time.Time
	at    time.Duration
}

func newAuthor(t tester, data string, began time.Time) *author {
	t.Helper()
	w, err := runlog.Create(data, cellName, began, []byte("# invented\n"), runlog.Options{Sync: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	a := &author{t: t, w: w, count: integrate.NewCoulometer(integrate.Settings{GapAfter: time.Hour})}
	a.check(w.Begin(began, a.count.Settings(), "run started"))
	t.Cleanup(func() {
		if err := w.Close(); err != nil {
			t.Error(err)
		}
	})
	return a
}

func (a *author) check(err error) {
	a.t.Helper()
	if err != nil {
		a.t.Fatal(err)
	}
}

func (a *author) read(s sample) {
	a.t.Helper()
	var step time.Duration
	if !a.last.IsZero() {
		step = s.at.Sub(a.last)
	}
	a.at += step
	a.last = s.at
	if _, err := a.count.Add(integrate.Sample{At: a.at, Volts: s.volts, Amperes: s.amperes}, integrate.Evidence{}); err != nil {
		a.t.Fatal(err)
	}
	a.check(a.w.Reading(s.at, step, s.volts, s.amperes, "constant-current", "on", drivers.Shown{}))
}

// caughtUp returns a history that has read everything there is.
func caughtUp(t *testing.T, data string) *History {
	t.Helper()
	h := New(data, []string{cellName}, slog.New(slog.DiscardHandler))
	if err := h.cells[cellName].catchUp(t.Context()); err != nil {
		t.Fatal(err)
	}
	return h
}

func window(t *testing.T, h *History, run string, from, to time.Time, n int) *Window {
	t.Helper()
	w, err := h.Window(t.Context(), cellName, run, from, to, n)
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// TestNoSpikeIsLost compares windows of random runs with a plain search through all
// readings: least and greatest are the same, whether they come from buckets or from the log.
func TestNoSpikeIsLost(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		data, err := os.MkdirTemp(t.TempDir(), "run")
		if err != nil {
			r.Fatal(err)
		}
		r.Cleanup(func() {
			if err := os.RemoveAll(data); err != nil {
				r.Error(err)
			}
		})
		a := newAuthor(r, data, begin) // its log is closed with the draw
		var all []sample
		at := begin
		for range rapid.IntRange(1, 600).Draw(r, "readings") {
			at = at.Add(time.Duration(rapid.SampledFrom([]int{1, 1, 1, 1, 7, 500, 9000}).Draw(r, "step")) * time.Second)
			s := sample{at, 3 + float64(len(all)%7)/1000, 2.5}
			if rapid.IntRange(0, 60).Draw(r, "spike") == 0 {
				s.volts, s.amperes = 9.25, 0.125
			}
			all = append(all, s)
			a.read(s)
		}
		h := caughtUp(t, data)
		from := begin.Add(time.Duration(rapid.Int64Range(-1e3, int64(at.Sub(begin)/time.Second)).Draw(r, "from")) * time.Second)
		to := from.Add(time.Duration(rapid.Int64Range(1, 1+int64(at.Sub(begin)/time.Second)).Draw(r, "length")) * time.Second)
		n := rapid.IntRange(1, 1500).Draw(r, "points")
		w := window(t, h, "", from, to, n)
		if len(w.Points) > n+2 && !w.FromLog {
			r.Fatalf("%d points instead of about %d", len(w.Points), n)
		}
		lo, hi, seen := math.Inf(1), math.Inf(-1), 0
		for _, s := range all {
			if !s.at.Before(from) && !s.at.After(to) {
				lo, hi, seen = min(lo, s.amperes), max(hi, s.volts), seen+1
			}
		}
		gotLo, gotHi := math.Inf(1), math.Inf(-1)
		for i, p := range w.Points {
			gotLo, gotHi = min(gotLo, p.MinAmperes), max(gotHi, p.MaxVolts)
			if i > 0 && p.At <= w.Points[i-1].At {
				r.Fatalf("point %d is not later than the one before", i)
			}
		}
		// Buckets at the edges may hold readings from just outside, never fewer.
		if seen > 0 && (gotLo > lo || gotHi < hi-1e-5) {
			r.Fatalf("the window has %v A to %v V, the readings %v A to %v V", gotLo, gotHi, lo, hi)
		}
	})
}

// TestChargeIsTheCountedOne: the curve ends at exactly what the coulometer counts.
func TestChargeIsTheCountedOne(t *testing.T) {
	data := t.TempDir()
	a := newAuthor(t, data, begin)
	for i := range 20000 {
		a.read(sample{begin.Add(time.Duration(i+1) * time.Second), 3.2, 2.5 + 0.3*math.Sin(float64(i)/500)})
		if i == 5000 {
			z := integrate.Zero{Amperes: 0.002, Uncertainty: 0.001}
			a.check(a.count.SetZero(z))
			a.check(a.w.Entry(a.last, runlog.EntryZero, "by hand", runlog.Number("amperes", z.Amperes), runlog.Number("standard_uncertainty", z.Uncertainty)))
		}
	}
	h := caughtUp(t, data)
	w := window(t, h, "", time.Time{}, time.Time{}, 500)
	if got, want := w.Points[len(w.Points)-1].Coulombs, a.count.Totals().Charge; got != want {
		t.Errorf("the curve ends at %v C, counted are %v C", got, want)
	}
	// A close look is read from the log; its charge is interpolated between exact ones.
	mid := begin.Add(9000 * time.Second)
	close := window(t, h, "", mid, mid.Add(5*time.Minute), 300)
	if !close.FromLog || len(close.Points) < 290 {
		t.Fatalf("%d points, from the log: %v; wanted one for each of 300 readings", len(close.Points), close.FromLog)
	}
	for i := 1; i < len(close.Points); i++ {
		if d := close.Points[i].Coulombs - close.Points[i-1].Coulombs; d < 1.5 || d > 3.5 {
			t.Fatalf("between readings %d and %d the charge grows by %v C at about 2.5 A", i-1, i, d)
		}
	}
	if n := len(h.cells[cellName].series.buckets); n > mostBuckets {
		t.Errorf("%d buckets", n)
	}
}

// TestFollowsTheLog lets the log grow, a new run begin, and an earlier one be looked at.
func TestFollowsTheLog(t *testing.T) {
	data := t.TempDir()
	h := New(data, []string{cellName}, slog.New(slog.DiscardHandler))
	c := h.cells[cellName]
	look := func() *Window {
		t.Helper()
		if err := c.catchUp(t.Context()); err != nil {
			t.Fatal(err)
		}
		return window(t, h, "", time.Time{}, time.Time{}, 1000)
	}
	if w := look(); len(w.Points) != 0 || !w.Complete {
		t.Errorf("no run yet: %d points, complete %v", len(w.Points), w.Complete)
	}
	first := newAuthor(t, data, begin)
	first.read(sample{begin.Add(time.Second), 3.2, 2.5})
	first.read(sample{begin.Add(2 * time.Second), 3.2, 2.5})
	if w := look(); len(w.Points) != 2 {
		t.Errorf("%d points of 2 readings", len(w.Points))
	}
	first.check(first.w.Alarm(begin.Add(3*time.Second), "whisker", runlog.Text("state", "UNACK"), runlog.Text("priority", "medium"), runlog.Number("value", 0), runlog.Text("text", "dips")))
	first.check(first.w.Entry(begin.Add(4*time.Second), "measurement", "", runlog.Number("ph", 1.4), runlog.Text("by", "night shift")))
	first.check(first.w.Gap(begin.Add(60*time.Second), "silent", integrate.Gap{Index: 0, From: 2 * time.Second, To: 60 * time.Second, Low: 0, Best: 145, High: 145}, integrate.Evidence{}))
	first.read(sample{begin.Add(60 * time.Second), 3.2, 2.5})
	first.check(first.w.Entry(begin.Add(61*time.Second), runlog.EntrySettle, "it ran on", runlog.Integer("index", 0), runlog.Number("low", 144), runlog.Number("best", 145), runlog.Number("high", 145)))
	w := look()
	if len(w.Points) != 3 || len(w.Gaps) != 1 || len(w.Events) != 4 { // begin, whisker, measurement, settle
		t.Fatalf("%d points, gaps %v, events %v", len(w.Points), w.Gaps, w.Events)
	}
	if g := w.Gaps[0]; !g.Settled || g.Low != 144 || g.To.Sub(g.From) != 58*time.Second {
		t.Errorf("the gap is %+v", g)
	}
	if ph := w.Hand["measurement ph"]; ph.Value != 1.4 || !ph.At.Equal(begin.Add(4*time.Second)) {
		t.Errorf("by hand: %+v", w.Hand)
	}
	second := newAuthor(t, data, begin.Add(24*time.Hour))
	second.read(sample{begin.Add(24*time.Hour + time.Second), 3.3, 2.4})
	w = look()
	if len(w.Points) != 1 || w.Run == filepath.Base(first.w.Run()) {
		t.Errorf("after a new run began: %d points of %s", len(w.Points), w.Run)
	}
	if old := window(t, h, filepath.Base(first.w.Run()), time.Time{}, time.Time{}, 1000); len(old.Points) != 3 || len(old.Gaps) != 1 {
		t.Errorf("the earlier run has %d points, %d gaps", len(old.Points), len(old.Gaps))
	}
	for _, run := range []string{"20200101T000000Z", "../zinc-1", "..", "20200101T000000Z/../.."} {
		if _, err := h.Window(t.Context(), cellName, run, time.Time{}, time.Time{}, 10); !errors.Is(err, ErrNoRun) {
			t.Errorf("run %q: %v", run, err)
		}
	}
}

// TestWhoAsksCatchesUp: between two looks that nobody asks for, whoever asks sees what the log has gained, once it is older than Every.
func TestWhoAsksCatchesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		data := t.TempDir()
		a := newAuthor(t, data, begin)
		h := New(data, []string{cellName}, slog.New(slog.DiscardHandler))
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		points := func() int { return len(window(t, h, "", time.Time{}, time.Time{}, 1000).Points) }
		if n := points(); n != 0 || h.cells[cellName].run != "" {
			t.Fatalf("%d points before Run has read what there is", n)
		}
		go h.Run(ctx)
		synctest.Wait()
		a.read(sample{begin.Add(time.Second), 3.2, 2.5})
		if n := points(); n != 0 {
			t.Errorf("%d points, read again at once", n)
		}
		<-time.After(h.Every)
		if n := points(); n != 1 {
			t.Errorf("%d points of one reading", n)
		}
		a.check(a.w.Gap(begin.Add(60*time.Second), "silent", integrate.Gap{From: 2 * time.Second, To: 60 * time.Second, High: 145}, integrate.Evidence{}))
		<-time.After(h.Every)
		if gaps := h.Happened(cellName).Gaps; len(gaps) != 1 {
			t.Errorf("gaps %v", gaps)
		}
		a.read(sample{begin.Add(61 * time.Second), 3.2, 2.5})
		<-time.After(unasked * h.Every)
		synctest.Wait()
		if newest := h.cells[cellName].series.newest; newest != begin.Add(61*time.Second).UnixNano() {
			t.Errorf("what nobody asked for ends at %v", time.Unix(0, newest).UTC())
		}
	})
}

// TestReadersAndGrowth reads windows while the log is being taken in.
func TestReadersAndGrowth(t *testing.T) {
	data := t.TempDir()
	a := newAuthor(t, data, begin)
	h := New(data, []string{cellName}, slog.New(slog.DiscardHandler))
	h.Every = time.Millisecond
	ctx, cancel := context.WithCancel(t.Context())
	var wg sync.WaitGroup
	wg.Go(func() { h.Run(ctx) })
	for range 4 {
		wg.Go(func() {
			for ctx.Err() == nil {
				if _, err := h.Window(ctx, cellName, "", begin.Add(time.Minute), time.Time{}, 100); err != nil && ctx.Err() == nil {
					t.Error(err)
					return
				}
			}
		})
	}
	const n = 9000
	for i := range n {
		a.read(sample{begin.Add(time.Duration(i+1) * time.Second), 3.2, 2.5})
	}
	deadline := time.Now().Add(2 * time.Minute)
	for {
		w := window(t, h, "", time.Time{}, time.Time{}, 100)
		if w.Last.Equal(begin.Add(n * time.Second)) {
			break
		}
		if time.Now().After(deadline) {
			t.Fatalf("the history stands at %v", w.Last)
		}
	}
	cancel()
	wg.Wait()
}

// TestClockThatJumps: a board without a battery clock begins in 1970 and jumps by decades.
func TestClockThatJumps(t *testing.T) {
	data := t.TempDir()
	a := newAuthor(t, data, time.Unix(10, 0))
	a.read(sample{time.Unix(11, 0), 3.2, 2.5})
	a.check(a.w.Reading(begin, time.Second, 3.3, 2.5, "constant-current", "on", drivers.Shown{}))
	w := window(t, caughtUp(t, data), "", time.Time{}, time.Time{}, 100)
	if len(w.Points) != 2 || w.Points[1].MaxVolts != 3.3 {
		t.Errorf("points %+v", w.Points)
	}
}

// BenchmarkTake reads a log into the series, and shows how much of memory a cell takes when its buckets are full.
func BenchmarkTake(b *testing.B) {
	data := b.TempDir()
	w, err := runlog.Create(data, cellName, begin, []byte("# invented\n"), runlog.Options{Sync: time.Hour})
	if err != nil {
		b.Fatal(err)
	}
	const n = 100000
	for i := range n {
		if err := w.Reading(begin.Add(time.Duration(i)*time.Second), time.Second, 3.2, 2.5, "constant-current", "on", drivers.Shown{}); err != nil {
			b.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		b.Fatal(err)
	}
	h := New(data, []string{cellName}, slog.New(slog.DiscardHandler))
	c := h.cells[cellName]
	b.ReportAllocs()
	for b.Loop() {
		c.run = ""
		if err := c.catchUp(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "readings/s")
	b.ReportMetric(float64(cap(c.series.buckets))*float64(unsafe.Sizeof(bucket{})), "B/cell")
}
