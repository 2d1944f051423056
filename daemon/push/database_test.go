package push

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"nightcell/configs"
	"nightcell/daemon/runlog"
	"nightcell/drivers"
	"nightcell/integrate"
)

// database is a stand-in that keeps points as the real ones do: by measurement,
// tags and time stamp, the later overwriting the earlier. It is an HTTP transport, so that it works
// in virtual time. It is strict: a request with one bad line is refused whole.
type database struct {
	mu       sync.Mutex
	points   map[string]string // line without its fields -> fields
	requests []request
	doubled  int // points that came more than once
	// fate decides about a request before its lines are looked at: a status, or 0 to go on.
	fate  func(r request) (status int, header http.Header)
	hang  bool
	bad   func(line string) bool
	keeps time.Time // what is older is dropped; zero: all is kept
}

// request is one request as it came.
type request struct {
	at     time.Time
	url    string
	header http.Header
	lines  []string
	n      int // how many came before it
}

func newDatabase() *database { return &database{points: make(map[string]string)} }

func (d *database) RoundTrip(r *http.Request) (*http.Response, error) {
	d.mu.Lock()
	hang := d.hang
	d.mu.Unlock()
	if hang {
		<-r.Context().Done()
		return nil, r.Context().Err()
	}
	text, err := io.ReadAll(r.Body)
	if err := errors.Join(err, r.Body.Close()); err != nil {
		return nil, err
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	got := request{time.Now(), r.URL.String(), r.Header.Clone(), slices.Collect(strings.Lines(string(text))), len(d.requests)}
	d.requests = append(d.requests, got)
	status, header, told := 0, http.Header{}, ""
	if d.fate != nil {
		if s, h := d.fate(got); s != 0 {
			status, header = s, h
		}
	}
	if status == 0 && !d.keeps.IsZero() {
		young := slices.DeleteFunc(slices.Clone(got.lines), func(l string) bool { return stampOf([]byte(l)) < d.keeps.UnixNano() })
		if n := len(got.lines) - len(young); n > 0 && d.store(young) == http.StatusNoContent {
			status, told = http.StatusBadRequest, fmt.Sprintf(`{"error":"partial write: points beyond retention policy dropped=%d"}`, n)
		}
	}
	if status == 0 {
		status = d.store(got.lines)
	}
	if told == "" {
		told = http.StatusText(status)
	}
	return &http.Response{
		StatusCode: status, Header: header, Request: r,
		Body: io.NopCloser(strings.NewReader(told)),
	}, nil
}

func (d *database) store(lines []string) int {
	for _, l := range lines {
		if d.bad != nil && d.bad(l) || parse(l) != nil {
			return http.StatusBadRequest
		}
	}
	for _, l := range lines {
		key, fields := pointOf(l)
		if _, ok := d.points[key]; ok {
			d.doubled++
		}
		d.points[key] = fields
	}
	return http.StatusNoContent
}

// pointOf parts a line into what makes a point the same as another, and its fields.
func pointOf(l string) (key, fields string) {
	l = strings.TrimSuffix(l, "\n")
	head, rest, _ := strings.Cut(l, " ")
	i := strings.LastIndexByte(rest, ' ')
	return head + rest[i:], rest[:i]
}

// parse reads a line by the library of the format's own makers.
func parse(line string) error {
	d := lineprotocol.NewDecoder(strings.NewReader(line))
	n := 0
	for d.Next() {
		n++
		if _, err := d.Measurement(); err != nil {
			return err
		}
		for {
			k, _, err := d.NextTag()
			if err != nil {
				return err
			}
			if k == nil {
				break
			}
		}
		for {
			k, _, err := d.NextField()
			if err != nil {
				return err
			}
			if k == nil {
				break
			}
		}
		if _, err := d.Time(lineprotocol.Nanosecond, time.Time{}); err != nil {
			return err
		}
	}
	if n != 1 {
		return fmt.Errorf("%d points in one line", n)
	}
	return nil
}

func (d *database) set(change func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	change()
}

func (d *database) count() (points, requests int) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return len(d.points), len(d.requests)
}

// night is the log of one cell, written as the watch writes it.
type night struct {
	t    *testing.T
	data string
	cell string
	w    *runlog.Writer
	utc  time.Time
	c    *integrate.Coulometer
}

func newNight(t *testing.T, data, cell string) *night {
	t.Helper()
	n := &night{t: t, data: data, cell: cell, utc: time.Now().UTC()}
	n.begin()
	return n
}

// begin opens a new run.
func (n *night) begin() {
	n.t.Helper()
	n.utc = n.utc.Add(time.Second)
	w, err := runlog.Create(n.data, n.cell, n.utc, []byte("# invented\n"), runlog.Options{Sync: 1000 * time.Hour})
	if err != nil {
		n.t.Fatal(err)
	}
	n.w, n.c = w, integrate.NewCoulometer(integrate.Settings{GapAfter: 10 * time.Second})
	n.check(w.Begin(n.utc, n.c.Settings(), "run started"))
	n.t.Cleanup(func() { _ = w.Close() }) // most tests close it themselves
}

func (n *night) check(err error) {
	n.t.Helper()
	if err != nil {
		n.t.Fatal(err)
	}
}

// readings writes so many readings a second apart, with a checkpoint after every hundredth.
func (n *night) readings(count int) {
	n.t.Helper()
	for i := range count {
		n.utc = n.utc.Add(time.Second)
		n.check(n.w.Reading(n.utc, time.Second, 3.2+float64(i%7)/1000, 3.001, "constant-current", "on", drivers.Shown{}))
		if i%100 == 99 {
			n.check(n.w.Checkpoint(n.utc, n.c))
		}
	}
}

// close ends the run.
func (n *night) close() {
	n.t.Helper()
	n.check(n.w.Entry(n.utc, runlog.EntryEnd, "the run is over"))
	n.check(n.w.Close())
}

// logged is what a database must hold: every line of every run of the cell but the checkpoints.
func logged(t *testing.T, data string, cells ...string) map[string]string {
	t.Helper()
	want := make(map[string]string)
	for _, cell := range cells {
		names, err := runlog.Runs(runlog.CellDir(data, cell))
		if err != nil {
			t.Fatal(err)
		}
		for _, run := range names {
			text, err := os.ReadFile(filepath.Join(runlog.CellDir(data, cell), run, runlog.LogName))
			if err != nil {
				t.Fatal(err)
			}
			for line := range strings.Lines(string(text)) {
				if !strings.HasPrefix(line, "checkpoint,") && parse(line) == nil {
					key, fields := pointOf(line)
					want[key] = fields
				}
			}
		}
	}
	return want
}

// same fails when the database holds other points than the logs.
func (d *database) same(t *testing.T, want map[string]string) {
	t.Helper()
	d.mu.Lock()
	defer d.mu.Unlock()
	missing, extra := 0, 0
	for k, v := range want {
		if got, ok := d.points[k]; !ok || got != v {
			missing++
		}
	}
	for k := range d.points {
		if _, ok := want[k]; !ok {
			extra++
		}
	}
	if missing > 0 || extra > 0 || len(want) == 0 {
		t.Errorf("the logs hold %d points; the database lacks or differs in %d and has %d that are not in the logs", len(want), missing, extra)
	}
}

// save writes a file without ceremony.
func save(path string, data []byte) error { return os.WriteFile(path, data, 0o600) }

func settings(d http.RoundTripper, data string, cells ...string) Settings {
	to := configs.Push{Name: "house", Form: "v1", Database: "lab", Every: time.Second, Batch: 5000, Cells: cells}
	return Settings{
		Push: to, URL: Endpoint(&to, "http://127.0.0.1:8086"),
		Client: &http.Client{Transport: d, Timeout: 30 * time.Second}, Data: data, Save: save, Log: slog.New(slog.DiscardHandler),
	}
}

// run sends until the returned stop is called.
func run(t *testing.T, s Settings) (p *Push, stop func()) {
	t.Helper()
	p, err := New(s)
	if err != nil {
		t.Fatal(err)
	}
	return p, start(t, p)
}

func start(t *testing.T, p *Push) (stop func()) {
	ctx, cancel := newContext(t)
	done := make(chan error, 1)
	go func() { done <- p.Run(ctx) }()
	return func() {
		t.Helper()
		cancel()
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
}

// stampOf reads the time stamp at the end of a line, 0 when there is none.
func stampOf(line []byte) int64 {
	line = bytes.TrimSpace(line)
	n, err := strconv.ParseInt(string(line[bytes.LastIndexByte(line, ' ')+1:]), 10, 64)
	if err != nil {
		return 0
	}
	return n
}
