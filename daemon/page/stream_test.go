package page_test

import (
	"bufio"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts"
	"nightcell/daemon/page"
	"nightcell/daemon/snapshot"
)

// stream is one listener to live events.
type stream struct {
	t    *testing.T
	body io.ReadCloser
	in   *bufio.Scanner
}

func listen(t *testing.T, url, topic string) *stream {
	t.Helper()
	r, err := http.Get(url + "/events?of=" + topic)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { r.Body.Close() })
	if r.StatusCode != http.StatusOK || r.Header.Get("Content-Type") != "text/event-stream" {
		t.Fatalf("status %d, %s", r.StatusCode, r.Header.Get("Content-Type"))
	}
	in := bufio.NewScanner(r.Body)
	in.Buffer(nil, 1<<20)
	return &stream{t, r.Body, in}
}

// next returns the next event's texts.
func (s *stream) next() map[string]string {
	s.t.Helper()
	for s.in.Scan() {
		if data, ok := strings.CutPrefix(s.in.Text(), "data: "); ok {
			var m map[string]string
			if err := json.Unmarshal([]byte(data), &m); err != nil {
				s.t.Fatal(err)
			}
			return m
		}
	}
	s.t.Fatalf("the stream has ended: %v", s.in.Err())
	return nil
}

// TestStream: the first event carries everything, later ones what has changed, and
// adding them up gives the same state for those who came at different times.
func TestStream(t *testing.T) {
	t.Parallel()
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1"), zinc("zinc-2")}})
	early := listen(t, b.url, "all")
	sum := early.next()
	for _, key := range []string{"@", "t:all.headline", "t:zinc-1.progress", "t:zinc-2.trouble", "s:zinc-1", "b:zinc-2", "a:zinc-1"} {
		if _, ok := sum[key]; !ok {
			t.Errorf("the first event lacks %s: %v", key, sum)
		}
	}
	b.change(1, func(c *snapshot.Cell) { c.Alarms = []alerts.Alarm{short()} })
	for sum["s:zinc-2"] != "act" {
		e := early.next()
		if _, again := e["t:zinc-1.progress"]; again {
			t.Errorf("what has not changed is sent again: %v", e)
		}
		for k, v := range e {
			sum[k] = v
		}
	}
	late := listen(t, b.url, "all").next()
	for _, key := range []string{"t:all.headline", "t:zinc-2.trouble", "s:zinc-2", "a:zinc-2", "s:zinc-1"} {
		if late[key] != sum[key] || sum[key] == "" {
			t.Errorf("%s: who came early has %q, who came late %q", key, sum[key], late[key])
		}
	}
}

// TestStreamsAreBounded: beyond the bound a page is told to come back later, and a place is free again when one leaves.
func TestStreamsAreBounded(t *testing.T) {
	t.Parallel()
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}, connections: 300})
	var open []*stream
	for range 128 {
		open = append(open, listen(t, b.url, "zinc-1"))
	}
	v := b.visitor()
	v.want("one too many", v.get("/events?of=zinc-1"), http.StatusServiceUnavailable)
	if a := v.get("/"); a.StatusCode != http.StatusOK {
		t.Errorf("the page itself: status %d", a.StatusCode)
	}
	open[0].body.Close()
	eventually(t, "a free place", func() bool {
		r, err := http.Get(b.url + "/events?of=zinc-1")
		if err != nil {
			t.Fatal(err)
		}
		defer r.Body.Close()
		return r.StatusCode == http.StatusOK
	})
}

// TestEarlierRuns: the page offers the runs before, and draws one that is asked for.
func TestEarlierRuns(t *testing.T) {
	t.Parallel()
	var old, newest string
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}, prepare: func(data string) {
		old = writeRun(t, data, "zinc-1", 5000)
		newest = writeRun(t, data, "zinc-1", 100)
	}})
	v := b.visitor()
	page := v.get("/cell/zinc-1").body
	if !strings.Contains(page, `/cell/zinc-1?run=`+old) || strings.Contains(page, "data-run") || strings.Contains(page, `?run=`+newest) {
		t.Errorf("the page does not offer run %s beside %s", old, newest)
	}
	if page := v.get("/cell/zinc-1?run=" + old).body; !strings.Contains(page, `data-run="`+old+`"`) {
		t.Error("the earlier run is not drawn")
	}
	if page := v.get("/cell/zinc-1?run=%22%3E%3Cscript%3E").body; strings.Contains(page, "data-run") || strings.Contains(page, `"><script>`) {
		t.Error("a run that does not exist is taken for one")
	}
	points := func(path string) int {
		t.Helper()
		var c struct {
			T    []float64
			Run  string
			Plan any
		}
		a := v.get(path)
		if err := json.Unmarshal([]byte(a.body), &c); err != nil {
			t.Fatalf("%s: %v", a.body, err)
		}
		return len(c.T)
	}
	if n := points("/cell/zinc-1/history?points=4000&run=" + old); n < 2000 {
		t.Errorf("the earlier run has %d points", n)
	}
	eventually(t, "the newest run's curve", func() bool { n := points("/cell/zinc-1/history?points=4000"); return n > 50 && n < 110 })
}

// TestCurvesAreBounded: a loop that asks for curves is told to wait.
func TestCurvesAreBounded(t *testing.T) {
	t.Parallel()
	b := newBench(t, benchOptions{cells: []*snapshot.Cell{zinc("zinc-1")}})
	const askers = 16 // side by side, because one alone may be slower on a busy machine than what is allowed
	client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: askers}}
	defer client.CloseIdleConnections()
	var mu sync.Mutex
	statuses, asked := map[int]int{}, 0
	var wg sync.WaitGroup
	for range askers {
		wg.Go(func() {
			for more := true; more; {
				r, err := client.Get(b.url + "/cell/zinc-1/history?points=100")
				if err != nil {
					t.Error(err)
					return
				}
				r.Body.Close()
				if wait := r.Header.Get("Retry-After"); (r.StatusCode == http.StatusTooManyRequests) != (wait == "1") {
					t.Errorf("%s says Retry-After %q", r.Status, wait)
				}
				mu.Lock()
				statuses[r.StatusCode]++
				asked++
				more = asked < 400 || asked < 20000 && statuses[http.StatusTooManyRequests] == 0
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	if statuses[http.StatusTooManyRequests] == 0 || statuses[http.StatusOK] < 100 || len(statuses) != 2 {
		t.Errorf("%d curves at once: %v", asked, statuses)
	}
}

// pipeListener hands out connections that a test makes.
type pipeListener struct {
	net.Listener
	conns chan net.Conn
}

func (l *pipeListener) Accept() (net.Conn, error) {
	c, ok := <-l.conns
	if !ok {
		return nil, net.ErrClosed
	}
	return c, nil
}

func (l *pipeListener) Close() error {
	close(l.conns)
	return nil
}

// TestBound: a full server lets a new client in and the one out that has dawdled longest, but nobody whom it is serving; who left makes room.
func TestBound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		l := &pipeListener{conns: make(chan net.Conn)}
		release := make(chan struct{})
		server := &http.Server{Handler: http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release })}
		page.Bound(server, 3)
		var serving sync.WaitGroup
		serving.Go(func() { _ = server.Serve(l) })
		enter := func(says string) net.Conn {
			outer, inner := net.Pipe()
			l.conns <- inner
			go func() { _, _ = io.WriteString(outer, says) }()
			synctest.Wait()
			return outer
		}
		is := func(when string, clients map[net.Conn]bool) {
			t.Helper()
			for c, want := range clients {
				_ = c.SetReadDeadline(time.Now().Add(time.Second))
				if _, err := c.Read(make([]byte, 1)); (err != io.EOF) != want {
					t.Errorf("%s: %v for one that should be inside: %t", when, err, want)
				}
			}
		}
		const request = "GET / HTTP/1.1\r\nHost: localhost\r\n\r\n"
		first, second := enter("GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: "), enter(request)
		third := enter("")
		fourth := enter(request)
		is("with 3 places the oldest that dawdles goes", map[net.Conn]bool{first: false, second: true, third: true, fourth: true})
		fifth := enter(request)
		is("and then the next", map[net.Conn]bool{second: true, third: false, fourth: true, fifth: true})
		is("where all are being served the new one goes", map[net.Conn]bool{enter(request): false, second: true, fourth: true, fifth: true})
		close(release)
		synctest.Wait()
		sixth, seventh, eighth := enter(""), enter(""), enter("")
		_ = eighth.Close()
		synctest.Wait()
		is("who left makes room", map[net.Conn]bool{sixth: true, seventh: true, enter(""): true})
		_ = server.Close()
		serving.Wait()
	})
}
