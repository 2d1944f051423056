package page_test

import (
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestSlowConnections lets a thousand clients begin requests and dawdle. Polls go on
// and the page still answers. Lateness is shown, not judged.
func TestSlowConnections(t *testing.T) {
	t.Parallel()
	w := watch(t, setup{speed: 1, poll: "100 ms"})
	address := strings.TrimPrefix(w.url, "http://")
	polls := func(n uint64) (late []float64) {
		t.Helper()
		first := w.latest(t).Poll.Good
		seen := first
		eventually(t, fmt.Sprint(n, " polls"), func() bool {
			if c := w.latest(t); c.Poll.Good > seen {
				seen, late = c.Poll.Good, append(late, c.Poll.LateSeconds*1e3)
			}
			return seen >= first+n
		})
		slices.Sort(late)
		return late
	}
	before, reconnects := polls(10), w.latest(t).Link.Reconnects
	var mu sync.Mutex
	var slow []net.Conn
	t.Cleanup(func() {
		for _, c := range slow {
			c.Close()
		}
	})
	refused := 0
	var wg sync.WaitGroup
	for worker := range 10 {
		wg.Go(func() {
			for i := range 100 {
				c, err := net.Dial("tcp", address)
				mu.Lock()
				if err != nil {
					refused++
					mu.Unlock()
					continue
				}
				slow = append(slow, c)
				mu.Unlock()
				// Some say nothing, some half a request, some promise a body that does not come.
				_, _ = io.WriteString(c, []string{"", "GET / HTTP/1.1\r\nHost: localhost\r\nX-Slow: ", "POST /login HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nContent-Type: application/x-www-form-urlencoded\r\nContent-Length: 16000\r\n\r\nwho=x"}[(i+worker)%3])
			}
		})
	}
	wg.Wait()
	if len(slow)+refused != 1000 {
		t.Fatalf("%d connections and %d refused", len(slow), refused)
	}
	asked := make(chan error, 1)
	go func() { asked <- ask(w.url, 20) }()
	late := polls(25)
	if err := <-asked; err != nil {
		t.Error(err)
	}
	// A machine that is busy with other work may miss a poll; a page that stood in the way
	// of the polls would miss most of them.
	c := w.latest(t)
	if c.Poll.Bad > c.Poll.Good/2 || c.Link.Reconnects != reconnects {
		t.Errorf("%d bad polls of %d, line opened %d times in place of %d", c.Poll.Bad, c.Poll.Bad+c.Poll.Good, c.Link.Reconnects, reconnects)
	}
	t.Logf("%d bad polls of %d, %d gaps; poll lateness, ms: before median %.2f worst %.2f; with 1000 slow connections median %.2f worst %.2f; %d connections were refused",
		c.Poll.Bad, c.Poll.Bad+c.Poll.Good, c.Charge.Gaps, before[len(before)/2], before[len(before)-1], late[len(late)/2], late[len(late)-1], refused)
}

// ask fetches the page n times, each on a connection of its own.
func ask(url string, n int) error {
	client := &http.Client{Transport: &http.Transport{DisableKeepAlives: true}, Timeout: 2 * time.Minute}
	for i := range n {
		r, err := client.Get(url + "/")
		if err != nil {
			return fmt.Errorf("after %d answers: %w", i, err)
		}
		body, err := io.ReadAll(r.Body)
		if err = errors.Join(err, r.Body.Close()); err != nil {
			return fmt.Errorf("after %d answers: %w", i, err)
		}
		if r.StatusCode != http.StatusOK || !strings.Contains(string(body), "Zinc 1") {
			return fmt.Errorf("after %d answers: status %d, %.100s", i, r.StatusCode, body)
		}
	}
	return nil
}
