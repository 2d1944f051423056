// Package push sends the lines of the run logs to a database that takes InfluxDB
// line protocol over HTTP. The log is the queue: a cursor for each cell says what
// the database has acknowledged, so that an outage of hours is caught up with
// nothing lost, and a line sent twice overwrites itself because its time stamp is its own.
package push

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"math/rand/v2"
	"net/http"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"nightcell/daemon/cursor"
)

const (
	firstWait   = time.Second
	longestWait = 2 * time.Minute
	mostBytes   = 1 << 20 // of lines in one request, before gzip
)

// Settings describe one database and what it is sent.
type Settings struct {
	Name   string
	URL    string            // of the write endpoint, query and all; see V1 and V2
	Header http.Header       // such as Authorization; never logged
	Tags   map[string]string // added to each line
	Client *http.Client
	Gzip   bool
	Lines  int           // most lines in one request; 0: 5000
	Every  time.Duration // between two looks at the logs while nothing is owed; 0: 1 s

	Data  string   // the data directory
	Cells []string // whose logs are sent
	// Save replaces a small file durably.
	Save func(path string, data []byte) error
	Log  *slog.Logger
}

// Health is how one cell's lines are getting on.
type Health struct {
	Lag       time.Duration // age of the oldest line that is not yet acknowledged, 0 when there is none
	Lines     uint64        // acknowledged since the start
	Refused   uint64        // lines that the database will never take, set aside since the start
	Failures  uint64        // failed requests since the start
	LastError string        // of the newest request; empty when it succeeded
}

// Push sends the logs of its cells to one database, from one goroutine.
type Push struct {
	s    Settings
	tags []byte // as they stand in a line, each behind a comma
	mu   sync.Mutex
	all  map[string]Health
}

// New checks the settings; nothing is sent.
func New(s Settings) (*Push, error) {
	if s.URL == "" || s.Data == "" || s.Save == nil || s.Client == nil {
		return nil, fmt.Errorf("push %s: address, data directory, client and a way to save the cursor are needed", s.Name)
	}
	if s.Lines <= 0 {
		s.Lines = 5000
	}
	if s.Every <= 0 {
		s.Every = time.Second
	}
	if s.Log == nil {
		s.Log = slog.New(slog.DiscardHandler)
	}
	p := &Push{s: s, all: make(map[string]Health)}
	for _, k := range slices.Sorted(maps.Keys(s.Tags)) {
		if k == "" || s.Tags[k] == "" {
			return nil, fmt.Errorf("push %s: the tag %q=%q is empty; line protocol has no empty tags", s.Name, k, s.Tags[k])
		}
		p.tags = fmt.Appendf(p.tags, ",%s=%s", tagEscaper.Replace(k), tagEscaper.Replace(s.Tags[k]))
	}
	for _, c := range s.Cells {
		p.all[c] = Health{}
	}
	return p, nil
}

var tagEscaper = strings.NewReplacer(",", `\,`, "=", `\=`, " ", `\ `, "\n", " ")

// Run sends until ctx ends.
func (p *Push) Run(ctx context.Context) error {
	queues := make([]*queue, 0, len(p.s.Cells))
	for _, cell := range p.s.Cells {
		q, err := openQueue(p.s, cell)
		if err != nil {
			return fmt.Errorf("push %s: %w", p.s.Name, err)
		}
		queues = append(queues, q)
	}
	wait := time.Duration(0)
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		select { // ends with ctx; the timer always comes
		case <-ctx.Done():
			return nil
		case <-timer.C:
		}
		failed, more := false, false
		for _, q := range queues {
			sent, err := p.send(ctx, q)
			if ctx.Err() != nil {
				return nil
			}
			p.note(q, sent, err)
			failed = failed || err != nil
			more = more || sent > 0 && err == nil
		}
		switch {
		case failed: // exponential back-off with jitter, so that many daemons do not return in step
			wait = min(max(2*wait, firstWait), longestWait)
			timer.Reset(wait/2 + rand.N(wait/2))
		case more:
			wait = 0
			timer.Reset(0)
		default:
			wait = 0
			timer.Reset(p.s.Every)
		}
	}
}

// Health returns how a cell's lines are getting on.
func (p *Push) Health(cell string) (Health, bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	h, ok := p.all[cell]
	return h, ok
}

// Name returns the push's name in the configuration.
func (p *Push) Name() string { return p.s.Name }

func (p *Push) note(q *queue, sent int, err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	h := p.all[q.cell]
	h.Lines += uint64(sent)
	h.Lag = q.lag()
	if err != nil {
		h.Failures++
		if h.LastError != err.Error() {
			p.s.Log.Warn("push", "push", p.s.Name, "cell", q.cell, "err", err)
		}
		h.LastError = err.Error()
	} else {
		h.LastError = ""
	}
	h.Refused = q.refused
	p.all[q.cell] = h
}

// send hands over one batch of a cell and returns how many lines were acknowledged.
func (p *Push) send(ctx context.Context, q *queue) (int, error) {
	b, err := q.batch(p.s.Lines, p.tags)
	if err != nil || b.end == q.at {
		return 0, err
	}
	sent := 0
	if len(b.lines) > 0 {
		if sent, err = p.deliver(ctx, q, b.lines); err != nil {
			return 0, err
		}
	}
	if err := q.advance(b.end); err != nil {
		return sent, err
	}
	return sent, nil
}

// deliver posts lines; when the database refuses them for what they are, it parts
// them until the ones at fault stand alone, and sets those aside.
func (p *Push) deliver(ctx context.Context, q *queue, lines [][]byte) (int, error) {
	err := p.post(ctx, lines)
	var refused *refusal
	switch {
	case err == nil:
		return len(lines), nil
	case !errors.As(err, &refused):
		return 0, err
	case len(lines) == 1:
		q.refused++
		p.s.Log.Error("the database will never take this line, which is set aside; it stays in the log",
			"push", p.s.Name, "cell", q.cell, "line", shorten(lines[0]), "err", err)
		return 0, nil
	}
	half := len(lines) / 2
	first, err := p.deliver(ctx, q, lines[:half])
	if err != nil {
		return 0, err
	}
	second, err := p.deliver(ctx, q, lines[half:])
	return first + second, err
}

func shorten(line []byte) string {
	if len(line) > 200 {
		line = line[:200]
	}
	return strings.TrimSpace(string(line))
}

// cursorPath is where a cell's cursor is kept.
func cursorPath(s Settings, cell string) string {
	return filepath.Join(s.Data, "push", s.Name, cell)
}

// startOf is where a cell without a cursor begins: at the beginning of its newest run.
func startOf(cellDir string) (cursor.Cursor, error) {
	names, err := cursor.Runs(cellDir)
	if err != nil || len(names) == 0 {
		return cursor.Cursor{}, err
	}
	return cursor.Cursor{Run: names[len(names)-1]}, nil
}
