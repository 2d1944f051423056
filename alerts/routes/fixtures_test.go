package routes

import (
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"nightcell/alerts"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// journal is a Source in memory whose cursors are positions.
type journal struct {
	mu      sync.Mutex
	notices []Notice
	strict  bool // a cursor that is no position is ErrCursor
}

func (j *journal) add(n ...Notice) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.notices = append(j.notices, n...)
}

func (j *journal) Next(_ context.Context, cursor string) (Notice, string, error) {
	j.mu.Lock()
	defer j.mu.Unlock()
	i, err := strconv.Atoi(cursor)
	if j.strict && cursor != "" && (err != nil || i > len(j.notices)) {
		return Notice{}, "", fmt.Errorf("%w: %q", ErrCursor, cursor)
	}
	if i >= len(j.notices) {
		return Notice{}, "", io.EOF
	}
	return j.notices[i], strconv.Itoa(i + 1), nil
}

func (j *journal) Start(context.Context) (string, error) { return "0", nil }

func (*journal) Latest(context.Context) (string, error) { return "", nil }

// shelf is a Store in memory.
type shelf struct {
	mu     sync.Mutex
	states map[string][]byte
	err    error
}

func (s *shelf) Load(route string) ([]byte, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.states[route], nil
}

func (s *shelf) Save(route string, data []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.err != nil {
		return s.err
	}
	if s.states == nil {
		s.states = map[string][]byte{}
	}
	s.states[route] = data
	return nil
}

func (*shelf) SetAside(string) (string, error) { return "nowhere", nil }

// wall is the machine's clock, which is virtual in a synctest bubble.
type wall struct{}

func (wall) UTC() time.Time                     { return time.Now().UTC() }
func (wall) Real(d time.Duration) time.Duration { return d }

// inbox is a Route that keeps what it takes.
type inbox struct {
	name string
	mu   sync.Mutex
	got  []Notice
	// answer decides about a delivery; nil takes everything.
	answer func(context.Context, Notice) error
}

func (r *inbox) Name() string { return r.name }

func (r *inbox) Deliver(ctx context.Context, n Notice) (Proof, error) {
	if r.answer != nil {
		if err := r.answer(ctx, n); err != nil {
			return "", err
		}
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.got = append(r.got, n)
	return "taken", nil
}

func (r *inbox) ids() []string {
	r.mu.Lock()
	defer r.mu.Unlock()
	ids := []string{}
	for _, n := range r.got {
		ids = append(ids, n.ID)
	}
	return ids
}

func (r *inbox) first() Notice {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.got[0]
}

func (s *shelf) of(route string) []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.states[route]
}

// fill makes every Save fail, or with nil work again.
func (s *shelf) fill(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.err = err
}

func alarm(id, condition string, p alerts.Priority) Notice {
	return Notice{ID: id, Cell: "zinc-1", Kind: Alarm, Condition: condition, Priority: p, At: time.Now().UTC(), Subject: condition}
}

func closing(id, condition string, kind Kind, p alerts.Priority) Notice {
	n := alarm(id, condition, p)
	n.Kind = kind
	return n
}

// open starts an outbox and stops it when the test ends.
func open(t *testing.T, o Options, ways ...Way) *Outbox {
	t.Helper()
	if o.Clock == nil {
		o.Clock = wall{}
	}
	if o.Store == nil {
		o.Store = &shelf{}
	}
	box, err := NewOutbox(o, ways...)
	if err != nil {
		t.Fatal(err)
	}
	box.Start()
	t.Cleanup(func() { stop(t, box) })
	return box
}

func stop(t *testing.T, box *Outbox) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := box.Stop(ctx); err != nil {
		t.Error(err)
	}
}

func flush(t *testing.T, box *Outbox) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	if err := box.Flush(ctx); err != nil {
		t.Fatal(err)
	}
}

func equal(t *testing.T, got []string, want ...string) {
	t.Helper()
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("got %q, want %q", got, want)
	}
}

// waitFor polls a condition until it holds.
func waitFor(t *testing.T, what string, holds func() bool) {
	t.Helper()
	deadline := time.After(2 * time.Minute)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !holds() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("not within two minutes: %s", what)
		}
	}
}

func decodeBase64(t *testing.T, data []byte) []byte {
	t.Helper()
	out, err := base64.StdEncoding.DecodeString(strings.NewReplacer("\r", "", "\n", "").Replace(string(data)))
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// builtIn are the templates with times in UTC.
func builtIn() *Templates { return LoadTemplates(time.UTC) }

// samples are notices of every kind, with and without the optional parts.
func samples() []Notice {
	at := time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC)
	full := Notice{
		ID: "sample", Cell: "zinc-1", Supply: "bench", Condition: "over-current", Priority: alerts.High, State: "UNACK",
		At: at, Since: at.Add(-time.Minute), Subject: "4.1 A where 3.3 A is the limit", Text: "text", Meaning: "meaning",
		First: "first", Acknowledge: "nightcell alarms ack zinc-1 over-current",
		Values: map[string]float64{"current_amperes": 4.1}, Link: "https://bench.example/alarm/x", Repeat: 1, Delayed: time.Hour, Picture: []byte{1},
	}
	var all []Notice
	for _, kind := range []Kind{Alarm, Cleared, Acknowledged, Quieted, Milestone, Drill, Ended, Summary} {
		n := full
		n.Kind, n.Drill = kind, kind == Drill
		all = append(all, n, Notice{ID: "bare", Kind: kind, Cell: "zinc-1", At: at})
	}
	return all
}
