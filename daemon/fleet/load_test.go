package fleet

import (
	"bufio"
	"bytes"
	"context"
	"flag"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/drivers/simulated"
)

var (
	load      = flag.Bool("load", false, "run two hundred cells on one daemon with pages and a scraper")
	loadPhase = flag.Duration("phase", 20*time.Second, "length of each phase of the load test")
)

// simulatedBench is one daemon whose supplies are pseudo-terminals of this process.
func simulatedBench(t *testing.T, name string, cells int, poll string) *bench {
	t.Helper()
	b := &bench{t: t, name: name, data: t.TempDir(), address: freeAddress()}
	var text strings.Builder
	fmt.Fprintf(&text, "data = %q\n[page]\nlisten = %q\n", b.data, b.address)
	for i := range cells {
		cell := fmt.Sprintf("%s-%d", name, i+1)
		b.cells = append(b.cells, cell)
		instrument, err := simulated.New(simulated.Setup{Clock: drivers.NewClock(1), Seed: int64(i + 1)})
		if err != nil {
			t.Fatal(err)
		}
		port, err := simulated.Serve(t.Context(), instrument, filepath.Join(b.data, cell+".port"))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() {
			if err := port.Close(); err != nil {
				t.Error(err)
			}
		})
		fmt.Fprintf(&text, cellConfig, cell, port.Path(), poll, "3.3 A")
	}
	config := filepath.Join(b.data, "nightcell.toml")
	if err := os.WriteFile(config, []byte(text.String()), 0o600); err != nil {
		t.Fatal(err)
	}
	b.process = launch(t, answers("http://"+b.address+"/metrics"), built(t), "watch", "--config", config)
	return b
}

// metric reads a metric without labels of its own from the daemon.
func (b *bench) metric(name string) float64 {
	b.t.Helper()
	client := &http.Client{Timeout: patience}
	resp, err := client.Get("http://" + b.address + "/metrics")
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	for lines.Scan() {
		var v float64
		if _, err := fmt.Sscanf(lines.Text(), name+" %g", &v); err == nil {
			return v
		}
	}
	b.t.Fatalf("no metric %s", name)
	return 0
}

// jitter is by how much the steps between readings part from the poll interval, in
// seconds, for all readings of all cells between two moments, in rising order.
func (b *bench) jitter(poll time.Duration, from, to time.Time) []float64 {
	b.t.Helper()
	var all []float64
	for _, cell := range b.cells {
		r, err := runlog.Open(filepath.Dir(b.logOf(cell)))
		if err != nil {
			b.t.Fatal(err)
		}
		var rec runlog.Record
		for r.Next(&rec) == nil {
			if rec.Kind == runlog.KindReading && rec.Time().After(from) && rec.Time().Before(to) {
				all = append(all, math.Abs((rec.Step - poll).Seconds()))
			}
		}
		if err := r.Close(); err != nil {
			b.t.Fatal(err)
		}
	}
	slices.Sort(all)
	return all
}

func quantile(sorted []float64, q float64) float64 {
	if len(sorted) == 0 {
		return math.NaN()
	}
	return sorted[min(len(sorted)-1, int(q*float64(len(sorted))))]
}

// phases lets the daemon alone and troubles it in turn, and returns the jitter of both kinds of phases.
func phases(t *testing.T, b *bench, poll, length time.Duration, rounds int, trouble func(ctx context.Context)) (quiet, loaded []float64) {
	t.Helper()
	for range rounds {
		for _, troubled := range []bool{false, true} {
			ctx, cancel := context.WithCancel(t.Context())
			done := make(chan struct{})
			go func() {
				defer close(done)
				if troubled {
					trouble(ctx)
				}
			}()
			settle := time.Now().Add(length / 5) // opening the pages is no part of having them open
			end := time.NewTimer(length)
			<-end.C
			j := b.jitter(poll, settle, time.Now())
			cancel()
			<-done
			if troubled {
				loaded = append(loaded, j...)
			} else {
				quiet = append(quiet, j...)
			}
		}
	}
	slices.Sort(quiet)
	slices.Sort(loaded)
	return quiet, loaded
}

// untilKept measures until both kinds of phases have their least number of readings,
// three times at most: other work on the machine costs polls now and then, a daemon that cannot keep
// up loses them every time.
func untilKept(least int, measure func() (quiet, loaded []float64)) (quiet, loaded []float64) {
	for range 3 {
		if quiet, loaded = measure(); len(quiet) >= least && len(loaded) >= least {
			break
		}
	}
	return quiet, loaded
}

// visitorsOf is the variable that turns this test into a crowd of visitors to the
// address that it holds. They run as a process of their own, at the lowest priority,
// because browsers and scrapers are not on the machine of the bench.
const visitorsOf = "NIGHTCELL_FLEET_VISITORS_OF"

const pages = 50

// visit opens pages and scrapes once a second until its input ends, then prints how
// many events and scrapes came.
func visit(address string) {
	ctx, cancel := context.WithCancel(context.Background())
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: pages}}
	var events, scrapes atomic.Int64
	var wg sync.WaitGroup
	for i := range pages {
		path, topic := "/", "all"
		if i%2 == 1 { // half of them look at one cell
			topic = fmt.Sprintf("cell-%d", i)
			path = "/cell/" + topic
		}
		wg.Go(func() {
			for _, p := range []string{path, "/events?of=" + topic} {
				hold(ctx, client, "http://"+address+p, &events)
			}
		})
	}
	wg.Go(func() { scrapeEvery(ctx, client, address, time.Second, &scrapes) })
	if _, err := io.Copy(io.Discard, os.Stdin); err != nil { // ends when the test closes it
		fmt.Println(err)
	}
	cancel()
	wg.Wait()
	fmt.Println(events.Load(), scrapes.Load())
}

// hold reads from a page or its stream until ctx ends.
func hold(ctx context.Context, client *http.Client, url string, events *atomic.Int64) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, url, nil)
	if err != nil {
		return
	}
	resp, err := client.Do(req)
	if err != nil {
		return
	}
	defer resp.Body.Close()
	lines := bufio.NewScanner(resp.Body)
	lines.Buffer(nil, 4<<20)
	for lines.Scan() {
		if strings.HasPrefix(lines.Text(), "data:") {
			events.Add(1)
		}
	}
}

// crowd lets the visitors in until ctx ends, and returns what they counted.
func crowd(ctx context.Context, t *testing.T, address string) (events, scrapes int64) {
	cmd := exec.Command("nice", "-n", "19", os.Args[0])
	cmd.Env = append(os.Environ(), visitorsOf+"="+address)
	stop, err := cmd.StdinPipe()
	if err != nil {
		t.Error(err)
		return 0, 0
	}
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Error(err)
		return 0, 0
	}
	<-ctx.Done()
	if err := stop.Close(); err != nil {
		t.Error(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("the visitors: %v: %s", err, &said)
	}
	if _, err := fmt.Sscan(said.String(), &events, &scrapes); err != nil {
		t.Errorf("the visitors say %q", &said)
	}
	return events, scrapes
}

// scrapeEvery scrapes until ctx ends; 0: as fast as it goes.
func scrapeEvery(ctx context.Context, client *http.Client, address string, every time.Duration, scrapes *atomic.Int64) {
	tick := time.NewTimer(0)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+address+"/metrics", nil)
		if err != nil {
			return
		}
		if resp, err := client.Do(req); err == nil {
			if _, err := io.Copy(io.Discard, resp.Body); err == nil && resp.StatusCode == http.StatusOK {
				scrapes.Add(1)
			}
			_ = resp.Body.Close() // it was read
		}
		tick.Reset(every)
	}
}

// TestTwoHundredCells polls 200 cells at 1 Hz with 50 open pages and a scraper each
// second, beside the same without them, and prints jitter and memory. The supplies live in
// this process, which takes its share of the machine.
func TestTwoHundredCells(t *testing.T) {
	if !*load {
		t.Skip("run with -load")
	}
	const cells = 200
	b := simulatedBench(t, "cell", cells, "1 s")
	waitFor(t, "every cell has readings", func() bool {
		for _, c := range []string{b.cells[0], b.cells[cells-1]} {
			if _, err := os.Stat(filepath.Join(b.data, "runs", c)); err != nil || b.lines(c, runlog.KindReading) < 5 {
				return false
			}
		}
		return true
	})
	least := int(0.9 * 2 * 0.8 * loadPhase.Seconds() * cells)
	peak := 0.0
	var events, scrapes int64
	var cpu, work float64
	var began time.Time
	quiet, loaded := untilKept(least, func() (quiet, loaded []float64) {
		events, scrapes, work, began = 0, 0, 0, time.Now()
		cpu = b.metric("process_cpu_seconds_total")
		return phases(t, b, time.Second, *loadPhase, 2, func(ctx context.Context) {
			before := b.metric("process_cpu_seconds_total")
			e, n := crowd(ctx, t, b.address)
			work += b.metric("process_cpu_seconds_total") - before
			events, scrapes = events+e, scrapes+n
			peak = max(peak, b.metric("process_resident_memory_bytes"))
		})
	})
	for _, q := range []float64{0.5, 0.9, 0.99, 0.999} {
		t.Logf("jitter p%g: %.3f ms without, %.3f ms with %d pages and a scraper, ratio %.3f",
			100*q, 1e3*quantile(quiet, q), 1e3*quantile(loaded, q), pages, quantile(loaded, q)/quantile(quiet, q))
	}
	all := b.metric("process_cpu_seconds_total") - cpu
	t.Logf("the daemon uses %.0f %% of a processor without, %.0f %% with them",
		100*(all-work)/(time.Since(began)-2**loadPhase).Seconds(), 100*work/(2**loadPhase).Seconds())
	t.Logf("%d and %d steps; %d events, %d scrapes; memory %.0f MiB", len(quiet), len(loaded), events, scrapes, peak/(1<<20))
	if len(quiet) < least || len(loaded) < least {
		t.Errorf("%d and %d readings, want at least %d each: polls were lost", len(quiet), len(loaded), least)
	}
	if peak > 250<<20 {
		t.Errorf("memory is %.0f MiB, over 250", peak/(1<<20))
	}
	if events < pages*int64(loadPhase.Seconds()) || scrapes < int64(loadPhase.Seconds()) {
		t.Errorf("the load was none: %d events, %d scrapes", events, scrapes)
	}
}

// TestHammeredMetrics scrapes one daemon as fast as it answers, from four sides, and
// prints what that does to the polls of its only cell. Asserted is only that none is lost.
func TestHammeredMetrics(t *testing.T) {
	const poll = 100 * time.Millisecond
	length := 3 * time.Second
	if *load {
		length = *loadPhase
	}
	b := simulatedBench(t, "lone", 1, "100 ms")
	b.grow(b.cells[0], 5)
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 4}}
	defer client.CloseIdleConnections()
	var scrapes atomic.Int64
	least := int(0.9 * 0.8 * float64(length/poll))
	if !*load {
		least /= 2 // other packages' tests may have both processors: polls then come late, but must come
	}
	quiet, loaded := untilKept(least, func() (quiet, loaded []float64) {
		return phases(t, b, poll, length, 1, func(ctx context.Context) {
			done := make(chan struct{}, 4)
			for range 4 {
				go func() { scrapeEvery(ctx, client, b.address, 0, &scrapes); done <- struct{}{} }()
			}
			for range 4 {
				<-done // each ends with ctx
			}
		})
	})
	t.Logf("%d scrapes in %v: jitter p99 %.3f ms without, %.3f ms with, ratio %.2f; median %.3f and %.3f ms", scrapes.Load(), length,
		1e3*quantile(quiet, 0.99), 1e3*quantile(loaded, 0.99), quantile(loaded, 0.99)/quantile(quiet, 0.99), 1e3*quantile(quiet, 0.5), 1e3*quantile(loaded, 0.5))
	if len(quiet) < least || len(loaded) < least {
		t.Errorf("%d and %d readings, want at least %d each: polls were lost", len(quiet), len(loaded), least)
	}
	if scrapes.Load() < 20 {
		t.Errorf("only %d scrapes", scrapes.Load())
	}
}
