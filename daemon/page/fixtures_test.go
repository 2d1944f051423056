package page_test

import (
	"bufio"
	"context"
	"fmt"
	"log/slog"
	"math"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"sync"
	"testing"
	"time"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/control"
	"nightcell/daemon/history"
	"nightcell/daemon/page"
	"nightcell/daemon/runlog"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
	"nightcell/integrate"
)

const operatorToken = "a token of the test, long enough"

// bench is a page over cells that a test sets as it likes. The figures are invented:
// zinc from a spent pickle, divided cell, aluminium cathode.
type bench struct {
	t       *testing.T
	url     string
	data    string
	page    *page.Page
	history *history.History
	op      *recorder
	stop    func() // serving

	mu    sync.Mutex
	cells []*snapshot.Cell
}

type benchOptions struct {
	token   string
	cells   []*snapshot.Cell
	prepare func(data string) // writes logs before the history begins
	hosts   []string
	links   *page.Links
	byLink  func(route string) bool
	drawn   []byte // the picture of a link; nil: there is none

	connections int    // 0: 64
	address     string // to listen on; empty: any
}

func newBench(t *testing.T, o benchOptions) *bench {
	t.Helper()
	b := &bench{t: t, data: t.TempDir(), cells: o.cells, op: &recorder{}}
	b.op.bench = b
	if o.prepare != nil {
		o.prepare(b.data)
	}
	names := make([]string, len(o.cells))
	for i, c := range o.cells {
		names[i] = c.Name
	}
	log := slog.New(slog.DiscardHandler)
	b.history = history.New(b.data, names, log)
	b.history.Every = 100 * time.Millisecond
	var picture func(context.Context, string, time.Time) ([]byte, error)
	if o.drawn != nil {
		picture = func(context.Context, string, time.Time) ([]byte, error) { return o.drawn, nil }
	}
	p, err := page.New(page.Settings{
		Links: o.links, ByLink: o.byLink, Picture: picture,
		Cells: b.snapshots, Operator: b.op.operator(), History: b.history, Data: b.data, Token: routes.NewSecret(o.token),
		Now: func() time.Time { return time.Now().UTC() }, Zone: time.UTC, Log: log,
	})
	if err != nil {
		t.Fatal(err)
	}
	b.page = p
	if o.address == "" {
		o.address = "127.0.0.1:0"
	}
	l, err := net.Listen("tcp", o.address)
	if err != nil {
		t.Fatal(err)
	}
	b.url = "http://" + l.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	server := &http.Server{
		Handler:           page.Guard(p.Handler(), l.Addr().String(), o.hosts),
		BaseContext:       func(net.Listener) context.Context { return ctx },
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, MaxHeaderBytes: 16 << 10,
	}
	page.Bound(server, max(64, o.connections))
	var wg sync.WaitGroup
	wg.Go(func() { b.history.Run(ctx) })
	wg.Go(func() { _ = server.Serve(l) })
	b.stop = sync.OnceFunc(func() {
		cancel()
		if err := server.Close(); err != nil {
			t.Log(err)
		}
		wg.Wait()
	})
	t.Cleanup(b.stop)
	return b
}

func (b *bench) snapshots() []*snapshot.Cell {
	b.mu.Lock()
	defer b.mu.Unlock()
	all := make([]*snapshot.Cell, len(b.cells))
	for i, c := range b.cells {
		copied := *c
		all[i] = &copied
	}
	return all
}

// change lets a test change a cell between two polls.
func (b *bench) change(i int, do func(c *snapshot.Cell)) {
	b.mu.Lock()
	defer b.mu.Unlock()
	do(b.cells[i])
}

// poll keeps cell i reading, as its loop would, until the test ends.
func (b *bench) poll(i int, every time.Duration) {
	stop, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(every)
		defer tick.Stop()
		for {
			select { // ends with the test
			case <-stop:
				return
			case <-tick.C:
			}
			b.change(i, func(c *snapshot.Cell) {
				c.Reading.Count++
				c.Reading.At, c.At = time.Now().UTC(), time.Now().UTC()
				c.Reading.Volts = 3.2 + 0.001*float64(c.Reading.Count%50)
				c.Charge.CountedCoulombs += c.Reading.Amperes * every.Seconds()
				c.Elapsed = time.Since(c.Began)
			})
		}
	}()
	b.t.Cleanup(func() { close(stop); <-done })
}

// recorder is an operator that notes what it was asked.
type recorder struct {
	bench *bench
	mu    sync.Mutex
	asked []string

	refuse bool // to acknowledge
}

func (r *recorder) operator() *control.Operator {
	return &control.Operator{ChangeAlarm: r.ChangeAlarm, Enter: r.Enter, Begin: r.Begin, Off: r.Off, Hold: r.Hold, Drill: r.Drill}
}

func (r *recorder) note(format string, args ...any) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.asked = append(r.asked, fmt.Sprintf(format, args...))
}

func (r *recorder) orders() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return append([]string(nil), r.asked...)
}

func (r *recorder) ChangeAlarm(_ context.Context, a control.AlarmOrder) error {
	if r.refuse {
		return control.Refuse("monitoring of cell %s has ended", a.Cell)
	}
	if a.Act != control.Acknowledge {
		r.note("%s %s %s %s %g %s", a.Act, a.Cell, a.Condition, a.By, a.Seconds, a.Reason)
		return nil
	}
	r.note("%s %s %s %s", a.Act, a.Cell, a.Condition, a.By)
	r.bench.change(0, func(c *snapshot.Cell) {
		changed := append([]alerts.Alarm(nil), c.Alarms...)
		for i := range changed {
			if changed[i].Condition == a.Condition {
				changed[i].State, changed[i].By = alerts.ACKED, a.By
			}
		}
		c.Alarms = changed
	})
	return nil
}

func (r *recorder) Enter(_ context.Context, e control.Entry) (control.Entered, error) {
	if e.Kind == "assay" && e.Numbers["concentration_kilograms_per_cubic_metre"] > 100 && !e.Certain {
		return control.Entered{}, control.Contradiction("the assay gives 503 g/L, the mass balance 50.3 g/L: target 7.72 → 78.90 A·h")
	}
	if e.Trial {
		return control.Entered{Notes: []string{"A trial of the " + e.Kind + "."}}, nil
	}
	r.note("enter %s %s %s %v %v %q", e.Cell, e.Kind, e.By, e.Numbers, e.Words, e.Text)
	return control.Entered{Notes: []string{"A note on the " + e.Kind + "."}}, nil
}

func (r *recorder) Begin(_ context.Context, b control.BeginOrder) ([]control.Check, error) {
	checks := []control.Check{{Name: "route", Text: "no route has proved delivery"}}
	if b.Confirmed != nil {
		r.note("begin %s %s %v", b.Cell, b.By, b.Confirmed)
	}
	if len(b.Confirmed) < 4 {
		return checks, control.Refuse("cell %s is not cleared", b.Cell)
	}
	return checks, nil
}

func (r *recorder) Drill(_ context.Context, o control.CellOrder) ([]routes.Receipt, error) {
	r.note("drill %s %s", o.Cell, o.By)
	return []routes.Receipt{{Route: "phone", Delivered: true, Proof: "202 Accepted"}}, nil
}

func (r *recorder) Off(_ context.Context, o control.CellOrder) (control.Outcome, error) {
	r.note("off %s %s", o.Cell, o.By)
	return control.Outcome{Verified: true, Text: "no current flows"}, nil
}

func (r *recorder) Hold(_ context.Context, o control.CellOrder) (control.Outcome, error) {
	r.note("hold %s %s", o.Cell, o.By)
	return control.Outcome{}, control.Refuse("cell %s may not be held", o.Cell)
}

// zinc is a cell in the middle of a night.
func zinc(name string) *snapshot.Cell {
	now := time.Now().UTC()
	c := &snapshot.Cell{
		Name: name, Supply: "bench", Metal: "Zn", Began: now.Add(-7 * time.Hour), At: now, Elapsed: 7 * time.Hour,
		PlannedTarget: 26.1 * 3600, May: alerts.Permission{Off: true, Hold: true},
		Link:    snapshot.Link{Up: true, Identity: "EXAMPLE,PS-30-5,0001,1.0", Since: now.Add(-7 * time.Hour)},
		Reading: snapshot.Reading{At: now, Volts: 3.412, Amperes: 2.6312, Mode: drivers.ConstantCurrent, Output: drivers.OutputOn, Count: 25200},
		Charge: snapshot.Charge{
			CountedCoulombs: 18.42 * 3600, ObservedCoulombs: 18.3 * 3600, UncertaintyCoulombs: 0.035 * 3600, TargetCoulombs: 26.1 * 3600,
			GapHighCoulombs: 0.14 * 3600, Gaps: 1, GapSeconds: 164,
			TargetUncertainty: 0.3 * 3600, PlanCoulombs: 18.4 * 3600, EnergyJoules: 226000, SecondsToTarget: 2.9 * 3600,
			FinishesAt: now.Add(174 * time.Minute), TheoreticalGrams: 22.5, JoulesPerKilogram: 1.14e7,
		},
		Bath: snapshot.Bath{
			DepositGrams: 19.8, ConcentrationGramPerLitre: 41.2, OverallEfficiency: 0.88, MarginalEfficiency: 0.87, CurrentDensity: 438,
			OfLimitingCurrent: 0.21, HydrogenLitresPerHour: 1.2, HydrogenLitres: 1.01, AnodeGas: "oxygen", AnodeGasLitresPerHour: 0.6, AcidGrams: 33.6, WaterGrams: 6.2,
		},
		Settings: snapshot.Settings{At: now, Status: drivers.Status{SetVolts: 6, SetAmperes: 2.63, LimitVolts: 7, LimitAmperes: 3.3}},
		Log:      snapshot.Log{Bytes: 2_720_000, DiskFree: 2.1e10},
		Poll:     snapshot.Poll{EverySeconds: 1, Good: 25200},
		Blind:    []string{"pH, and the efficiency of the current", "zinc running out in the bath", "leaks before the plates are bared", "gas in the room"},
	}
	return c
}

// short is the alarm of a tree that bridges the gap.
func short() alerts.Alarm {
	return alerts.Alarm{
		Condition: "hard-short", State: alerts.UNACK, Priority: alerts.Highest, Since: time.Now().UTC(), First: true,
		Text:    "0.28 V at 2.63 A is under the 1.9 V that zinc needs: current flows through metal",
		Meaning: "Current bypasses the bath.", Action: "Switch off or lower the current, lift the cathode, break the bridge.",
	}
}

// writeRun writes the log of a run with n readings one second apart, the last of them
// now, with a spike of 9.5 V in one reading only. It returns the run's name.
func writeRun(t *testing.T, data, cell string, n int) string {
	t.Helper()
	last := time.Now().UTC().Truncate(time.Second)
	begin := last.Add(-time.Duration(n) * time.Second)
	w, err := runlog.Create(data, cell, begin, []byte("# invented\n"), runlog.Options{Sync: time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	check(w.Begin(begin, integrate.Settings{GapAfter: 10 * time.Second, OffsetAmperes: 0.005, ResolutionAmperes: 0.001}, "run started"))
	check(w.Entry(begin.Add(time.Second/2), "measurement", "by hand", runlog.Number("temperature_kelvins", 313.25), runlog.Number("ph", 1.4)))
	run := w.Run()
	check(w.Close())
	f, err := os.OpenFile(filepath.Join(run, runlog.LogName), os.O_APPEND|os.O_WRONLY, 0)
	check(err)
	out := bufio.NewWriterSize(f, 1<<20)
	var line []byte
	for i := range n {
		at := begin.Add(time.Duration(i+1) * time.Second)
		volts := 3.3 + 0.15*math.Exp(-float64(i)/float64(n)*8) + 0.006*math.Sin(float64(i)*0.7) + 0.05*float64(i)/float64(n)
		if i == n/2+n/7 {
			volts = 9.5
		}
		amperes := 2.63 + 0.002*math.Cos(float64(i)*0.31)
		step := int64(time.Second)
		if i == 0 {
			step = 0
		}
		if i > n/3 && i < n/3+min(n/40, 4000) { // nobody observed
			continue
		}
		if i == n/3+min(n/40, 4000) {
			step = int64(min(n/40, 4000)) * int64(time.Second)
			line = fmt.Appendf(line[:0], "gap,cell=%s index=0i,kind=\"silent\",length=%di,best=%g,low=0,high=%g,on_before=t,on_after=t,same=t,unchanged=t,limit=2.63,restarted=f,suspended=f %d\n",
				cell, step, 2.63*float64(step)/1e9, 2.64*float64(step)/1e9, at.UnixNano()-1)
			_, err = out.Write(line)
			check(err)
			_, err = fmt.Fprintf(out, "entry,cell=%s kind=\"remark\",text=\"unobserved for %v; between 0 and 0.1 A·h passed; the supply is unchanged, so the current very likely continued\" %d\n", cell, time.Duration(step), at.UnixNano())
			check(err)
		}
		line = append(line[:0], "reading,cell="...)
		line = append(append(line, cell...), " step="...)
		line = append(strconv.AppendInt(line, step, 10), "i,volts="...)
		line = append(strconv.AppendFloat(line, math.Round(volts*1e3)/1e3, 'g', -1, 64), ",amperes="...)
		line = append(strconv.AppendFloat(line, math.Round(amperes*1e4)/1e4, 'g', -1, 64), `,mode="constant-current",output="on" `...)
		line = append(strconv.AppendInt(line, at.UnixNano(), 10), '\n')
		_, err = out.Write(line)
		check(err)
		if i == n/2 {
			_, err = fmt.Fprintf(out, "alarm,cell=%s,condition=whisker state=\"UNACK\",priority=\"medium\",text=\"volts dip and recover\",value=0.4 %d\n", cell, at.UnixNano()+1)
			check(err)
			_, err = fmt.Fprintf(out, "entry,cell=%s kind=\"addition\",text=\"25 g of salt\",by=\"night shift\" %d\n", cell, at.UnixNano()+int64(n/50)*1e9+2)
			check(err)
		}
	}
	check(out.Flush())
	check(f.Close())
	if _, err := runlog.Began(run); err != nil {
		t.Fatal(err)
	}
	return filepath.Base(run)
}

// eventually waits for ok, and fails with what was waited for. The limit is for a busy machine.
func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	deadline := time.NewTimer(2 * time.Minute)
	defer deadline.Stop()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for !ok() {
		select {
		case <-deadline.C:
			t.Fatalf("in vain waited for: %s", what)
		case <-tick.C:
		}
	}
}
