package history

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"time"

	"nightcell/daemon/runlog"
)

// ErrNoRun says that a cell or run does not exist.
var ErrNoRun = errors.New("there is no such run")

// mostLogBytes is how much log is read for a window that is finer than the buckets;
// about 200 000 readings.
const mostLogBytes = 24 << 20

// Point is the readings of a short stretch of time that ends at At.
type Point struct {
	At                                         int64 // Unix ns
	MinVolts, MaxVolts, MinAmperes, MaxAmperes float64
	Coulombs                                   float64 // counted up to At; NaN unknown
}

// Window is a stretch of a run, ready to be drawn.
type Window struct {
	Run         string
	First, Last time.Time // of the whole run so far
	Points      []Point
	// FromLog says that the points were read from the log and not from the buckets.
	FromLog bool
	// Complete is false while the history is still being rebuilt.
	Complete bool
	Happened
}

// Window returns a run of a cell between two moments in about n points. An empty run
// is the newest, a zero from or to is the beginning or the end of the run.
func (h *History) Window(ctx context.Context, name, run string, from, to time.Time, n int) (*Window, error) {
	c := h.ask(name)
	if c == nil {
		return nil, fmt.Errorf("cell %q: %w", name, ErrNoRun)
	}
	c.mu.Lock()
	newest := c.run
	if run == "" || run == newest {
		w, plan := c.series.window(from, to, n)
		w.Run, w.Complete = newest, c.whole
		c.mu.Unlock()
		return h.refine(ctx, w, plan, filepath.Join(c.dir, newest))
	}
	c.mu.Unlock()
	if _, err := runlog.Began(run); err != nil || filepath.Base(run) != run {
		return nil, fmt.Errorf("run %q: %w", run, ErrNoRun)
	}
	dir := filepath.Join(c.dir, run)
	s, err := h.earlier(ctx, dir)
	if err != nil {
		return nil, err
	}
	w, plan := s.window(from, to, n)
	w.Run, w.Complete = run, true
	return h.refine(ctx, w, plan, dir)
}

// Runs lists the runs of a cell, oldest first.
func (h *History) Runs(name string) ([]string, error) {
	c := h.of(name)
	if c == nil {
		return nil, fmt.Errorf("cell %q: %w", name, ErrNoRun)
	}
	return runlog.Runs(c.dir)
}

// earlier returns the series of a run that is not the newest, reading all of its log the first time.
func (h *History) earlier(ctx context.Context, dir string) (*series, error) {
	h.mu.Lock()
	s := h.old[dir]
	h.mu.Unlock()
	if s != nil {
		return s, nil
	}
	if err := h.scans.Acquire(ctx, 1); err != nil {
		return nil, err
	}
	defer h.scans.Release(1)
	s, err := readAll(ctx, dir)
	if err != nil {
		return nil, err
	}
	h.mu.Lock()
	defer h.mu.Unlock()
	for other := range h.old {
		if len(h.old) < mostOld {
			break
		}
		delete(h.old, other) // any: it can be read again
	}
	h.old[dir] = s
	return s, nil
}

func readAll(ctx context.Context, dir string) (*series, error) {
	s := newSeries()
	err := withLog(dir, 0, func(r *runlog.Reader) (err error) {
		for more := true; more && err == nil && ctx.Err() == nil; {
			more, err = s.take(r, batch)
		}
		return cmp.Or(err, ctx.Err())
	})
	if errors.Is(err, fs.ErrNotExist) {
		return nil, ErrNoRun
	}
	s.settle() // now, so that nobody writes to it again
	return s, err
}

// scanPlan is what to read of the log for a window that the buckets are too coarse for.
type scanPlan struct {
	wanted   bool
	offset   int64
	from, to int64
	step     int64
	anchor   []bucket // around the window, for the charge
}

// window reads the buckets. The caller holds the lock, or nobody writes any more.
func (s *series) window(from, to time.Time, n int) (*Window, scanPlan) {
	w := &Window{Happened: s.events.happened()}
	if s.first == 0 {
		return w, scanPlan{}
	}
	s.settle()
	w.First, w.Last = time.Unix(0, s.first).UTC(), time.Unix(0, s.newest).UTC()
	a, b := s.first, s.newest
	if !from.IsZero() {
		a = max(a, from.UnixNano())
	}
	if !to.IsZero() {
		b = min(b, to.UnixNano())
	}
	if b < a {
		return w, scanPlan{}
	}
	n = max(n, 1)
	i := int((a - s.first) / s.width)
	j := int((b - s.first) / s.width)
	i, j = min(max(i, 0), len(s.buckets)-1), min(j, len(s.buckets)-1)
	step := max((b-a)/int64(n), 1)
	w.Points = reduce(s.buckets[i:j+1], a, step)
	plan := scanPlan{from: a, to: b, step: step}
	if s.width > step && s.width > firstWidth {
		end := s.buckets[len(s.buckets)-1].offset + s.width/1e9*128 // the last bucket at one reading a second
		if j+1 < len(s.buckets) {
			end = s.buckets[j+1].offset
		}
		plan.offset = s.buckets[i].offset
		plan.wanted = end-plan.offset <= mostLogBytes
		plan.anchor = slices.Clone(s.buckets[max(i-1, 0):min(j+2, len(s.buckets))])
		plan.anchor = slices.DeleteFunc(plan.anchor, func(b bucket) bool { return b.last == 0 })
	}
	return w, plan
}

// reduce merges buckets into points at least a step apart.
func reduce(from []bucket, a, step int64) []Point {
	var merged []bucket
	for i := range from {
		if from[i].last != 0 {
			merged = gather(merged, &from[i], a, step)
		}
	}
	return pointsOf(merged)
}

func pointsOf(merged []bucket) []Point {
	points := make([]Point, len(merged))
	for i, b := range merged {
		points[i] = Point{b.last, plain(b.minVolts), plain(b.maxVolts), plain(b.minAmperes), plain(b.maxAmperes), b.coulombs}
	}
	return points
}

// gather merges a bucket into the last of those before, if that is of the same step after a, or else appends it.
func gather(before []bucket, b *bucket, a, step int64) []bucket {
	if n := len(before); n > 0 && (before[n-1].last-a)/step == (b.last-a)/step {
		before[n-1].merge(b)
		return before
	}
	return append(before, *b)
}

// plain widens without inventing digits: 3.214 stays 3.214.
func plain(x float32) float64 { return math.Round(float64(x)*1e5) / 1e5 }

// refine reads the window from the log when that shows more than the buckets and is quick enough.
func (h *History) refine(ctx context.Context, w *Window, p scanPlan, dir string) (*Window, error) {
	if !p.wanted {
		return w, nil
	}
	if err := h.scans.Acquire(ctx, 1); err != nil {
		return nil, err
	}
	defer h.scans.Release(1)
	points, err := p.points(ctx, dir)
	if err != nil {
		return nil, err
	}
	w.Points, w.FromLog = points, true
	return w, nil
}

// points reads and reduces one stretch of the log in a run's folder.
func (p *scanPlan) points(ctx context.Context, dir string) ([]Point, error) {
	var merged []bucket
	err := runlog.Scan(dir, p.offset, func(r *runlog.Record, _ *runlog.Reader) bool {
		if r.Kind == runlog.KindReading && r.Nanos >= p.from && r.Nanos <= p.to {
			b := bucketOf(r, 0)
			merged = gather(merged, &b, p.from, p.step)
		}
		return r.Nanos <= p.to && ctx.Err() == nil
	})
	for i := range merged {
		merged[i].coulombs = p.charge(merged[i].last)
	}
	return pointsOf(merged), errors.Join(err, ctx.Err())
}

// charge is interpolated between the buckets, whose charge is exact.
func (p *scanPlan) charge(at int64) float64 {
	i, exact := slices.BinarySearchFunc(p.anchor, at, func(b bucket, at int64) int { return cmp.Compare(b.last, at) })
	switch {
	case len(p.anchor) == 0:
		return math.NaN()
	case i == len(p.anchor):
		return p.anchor[i-1].coulombs
	case exact || i == 0:
		return p.anchor[i].coulombs
	}
	a, b := &p.anchor[i-1], &p.anchor[i]
	return a.coulombs + (b.coulombs-a.coulombs)*float64(at-a.last)/float64(b.last-a.last)
}
