package linecharge

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"math"
	"os"
	"testing"
	"time"

	"pgregory.net/rapid"

	"nightcell/alerts"
	"nightcell/daemon/run"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/daemon/watch"
	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
	"nightcell/integrate"
)

const (
	speed    = 100                   // of the clock
	poll     = time.Second           // 10 ms of the machine's time
	gapAfter = 10 * time.Second      // the default for this poll
	timeout  = 40 * time.Millisecond // of the machine's time; four polls
	set      = 3.2                   // current set-point, A
)

// watched is a cell loop on a scripted supply, with all that it writes.
type watched struct {
	cell   *watch.Cell
	clock  drivers.Clock
	supply *supply
	line   *mangler
	dir    string
	stop   func() error
}

// watch begins to watch a current over a line with faults. separate asks for volts and amperes one by one.
func watchOver(t testing.TB, dir string, flows func(now time.Duration) current, m *mangler, separate bool) *watched {
	t.Helper()
	clock := drivers.NewClock(speed)
	s, hangUp := newSupply(t, clock, flows(clock.Now()), m)
	dialect := scpi.Standard()
	dialect.Timeout, dialect.Quiet = scpi.Wait(timeout), scpi.Wait(2*time.Millisecond)
	if separate {
		dialect.MeasureBoth = ""
	}
	settings := scpi.Settings{
		Line: line.Settings{Address: s.address(), LockDir: dir}, Dialect: dialect, RangeVolts: 32, RangeAmperes: 5, LimitAmperes: 3.5,
	}
	rack := new(scpi.Rack)
	limits := alerts.Defaults()
	limits.Poll, limits.Amperes, limits.Volts = poll, 3.5, 7
	c := watch.New(watch.Settings{
		Identity: "EXAMPLE,PS-30-5",
		Open: func(ctx context.Context, noted watch.Noted) (drivers.Supply, error) {
			s := settings
			s.Noted = noted
			return rack.Open(ctx, s, clock)
		},
		Settings: run.Settings{
			Cell: "zinc-1", Supply: "bench", Poll: poll, Sync: time.Hour,
			// A meter as good as its last digit, so that there is little room for the line to hide in.
			Count:  integrate.Settings{GapAfter: gapAfter, GainRelative: 0.0005, OffsetAmperes: 0.002, ResolutionAmperes: 0.0001},
			Limits: limits, Chemistry: alerts.Chemistry{FloorVolts: math.NaN()}, AirStated: math.NaN(), AirNeededPerAmpere: math.NaN(),
			DataDir: dir, Log: slog.New(slog.DiscardHandler),
		},
	}, watch.MachineOf(clock))
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- c.Run(ctx) }()
	return &watched{cell: c, clock: clock, supply: s, line: m, dir: dir, stop: func() error {
		cancel()
		err := <-ended
		hangUp()
		return err
	}}
}

// until waits for a condition, for at most three minutes of the machine's time.
func (w *watched) until(what string, ok func(*snapshot.Cell) bool) error {
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	deadline := time.NewTimer(3 * time.Minute)
	defer deadline.Stop()
	for {
		if s := w.cell.Latest(); s != nil && ok(s) {
			return nil
		}
		select { // ends with the deadline
		case <-tick.C:
		case <-deadline.C:
			return fmt.Errorf("not within three minutes: %s; %+v", what, w.cell.Latest())
		}
	}
}

// readings waits until so many more good ones have been counted in a row, that is, without a refusal between.
func (w *watched) readings(n uint64) error {
	first := w.cell.Latest()
	var bad, from uint64
	if first != nil {
		bad, from = first.Poll.Bad, first.Reading.Count
	}
	return w.until(fmt.Sprintf("%d good readings in a row", n), func(s *snapshot.Cell) bool {
		if s.Poll.Bad != bad {
			bad, from = s.Poll.Bad, s.Reading.Count
		}
		return s.Reading.Count >= from+n
	})
}

// verdict is what a watch came to.
type verdict struct {
	totals  integrate.Totals
	truth   float64
	off     float64 // counted less true, C
	shown   *snapshot.Cell
	refused map[string]uint64
}

func (v verdict) inside() bool { return v.totals.Low() <= v.truth && v.truth <= v.totals.High() }

func (v verdict) String() string {
	return fmt.Sprintf("counted %.3f C, truly %.3f C, stated %.3f to %.3f C (u = %.3f C); %d readings, %d gaps, refused %v",
		v.totals.Charge, v.truth, v.totals.Low(), v.totals.High(), v.totals.StandardUncertainty, v.totals.Readings, v.totals.Gaps, v.refused)
}

// end stops the watch, replays its log and sets it against the truth between the first reading and the last.
func (w *watched) end() (v verdict, err error) {
	if err := w.stop(); err != nil {
		return v, err
	}
	v.shown = w.cell.Latest()
	v.refused = make(map[string]uint64)
	for why, n := range v.shown.Refused {
		v.refused[string(why)] = n
	}
	run, _, err := runlog.LatestRun(w.dir, "zinc-1")
	if err != nil {
		return v, err
	}
	report, err := runlog.ReplayFile(run)
	if err != nil {
		return v, err
	}
	v.totals = report.Totals
	if !report.Sound() || v.totals.Charge != v.shown.Charge.CountedCoulombs {
		return v, fmt.Errorf("the log gives %v C, live was %v C; sound: %v", v.totals.Charge, v.shown.Charge.CountedCoulombs, report.Sound())
	}
	from, length, err := w.span(run)
	if err != nil {
		return v, err
	}
	v.truth = w.supply.flows.charge(from, from+length)
	v.off = v.totals.Charge - v.truth
	return v, nil
}

// span returns when, on the clock, the first reading was taken, and how long after it the last.
func (w *watched) span(run string) (from, length time.Duration, err error) {
	r, err := runlog.Open(run)
	if err != nil {
		return 0, 0, err
	}
	defer func() { err = errors.Join(err, r.Close()) }()
	origin := w.clock.UTC().Add(-w.clock.Now())
	first := true
	for rec := new(runlog.Record); ; {
		switch err := r.Next(rec); {
		case errors.Is(err, io.EOF):
			return from, length, nil
		case err != nil:
			return 0, 0, err
		case rec.Kind != runlog.KindReading:
			continue
		}
		if first {
			first, from = false, time.Unix(0, rec.Nanos).Sub(origin)
		}
		length += rec.Step
	}
}

// trial is one stream of spoilt answers.
type trial struct {
	flows    func(now time.Duration) current // now is when the watch begins
	faults   []fault
	only     string // spoil only the answers to queries that hold this
	separate bool   // ask for volts and amperes one by one
}

// run counts the current over the bad line and a good end, and looks whether all is well again by then.
func (n trial) run(t testing.TB) (v verdict, err error) {
	dir, err := os.MkdirTemp("", "linecharge")
	if err != nil {
		return v, err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(dir)) }()
	m := newMangler(nil)
	m.only = n.only
	w := watchOver(t, dir, n.flows, m, n.separate)
	quit := func(cause error) (verdict, error) { return v, errors.Join(cause, w.stop()) }
	if err := w.until("the run started", func(s *snapshot.Cell) bool { return s.Reading.Count >= 3 }); err != nil {
		return quit(err)
	}
	m.then(n.faults...)
	if err := w.until("every fault has struck", func(*snapshot.Cell) bool { return m.left() == 0 }); err != nil {
		return quit(err)
	}
	if err := w.readings(8); err != nil { // the line is good: so must be what is read
		return quit(err)
	}
	last := w.cell.Latest().Reading
	if want := w.supply.flows.amperes(w.clock.Now()); math.Abs(last.Amperes-want) > 0.02 {
		return quit(fmt.Errorf("%.4f A read on a line that is good again, %.4f A flow", last.Amperes, want))
	}
	return w.end()
}

// slowly draws a current as a cell has it between two events.
func slowly(t *rapid.T) func(time.Duration) current {
	d := drift{rapid.Float64Range(2.6, 3.1).Draw(t, "amperes"), rapid.Float64Range(-2e-4, 2e-4).Draw(t, "drift")}
	return func(now time.Duration) current { d.first -= d.perSecond * now.Seconds(); return d }
}

// thick draws the fates of the answers of a few minutes: how many are spoilt, by what, and in what bunches.
func thick(t *rapid.T) []fault {
	var all []wrong
	for w := range kinds {
		all = append(all, w)
	}
	var list []fault
	for range rapid.IntRange(1, 4).Draw(t, "bunches") {
		list = append(list, make([]fault, rapid.IntRange(0, 12).Draw(t, "clean"))...)
		among := all
		if rapid.Bool().Draw(t, "of one kind") {
			among = []wrong{nothing, rapid.SampledFrom(all).Draw(t, "kind")}
		}
		list = append(list, rapid.SliceOfN(faults(among), 1, 16).Draw(t, "spoilt")...)
	}
	return list
}

// TestAnyStream: for any stream of mangled answers from a supply of known current
// the true charge lies in the stated range, and the line is found good again as soon as it is.
func TestAnyStream(t *testing.T) {
	for part := range 4 { // side by side, because a stream is mostly waiting
		t.Run(fmt.Sprintf("part %d", part+1), func(t *testing.T) {
			t.Parallel()
			streams, spoilt, gaps, tightest := 0, 0, 0, math.Inf(1)
			rapid.Check(t, func(rt *rapid.T) {
				list := thick(rt)
				v, err := trial{flows: slowly(rt), faults: list, separate: rapid.Bool().Draw(rt, "separate")}.run(t)
				if err != nil {
					rt.Fatal(err)
				}
				if !v.inside() {
					rt.Fatalf("the truth is outside: %v", v)
				}
				if v.totals.Gaps == 0 && math.Abs(v.off) > 2*v.totals.StandardUncertainty {
					rt.Fatalf("without a gap the truth must lie within k = 2: %v", v)
				}
				streams, spoilt, gaps = streams+1, spoilt+len(list), gaps+v.totals.Gaps
				tightest = min(tightest, v.truth-v.totals.Low(), v.totals.High()-v.truth)
			})
			t.Logf("%d streams, %d answers spoilt, %d gaps; the truth came as near as %.3f C to an end of the range", streams, spoilt, gaps, tightest)
		})
	}
}
