package metrics

import (
	"context"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
)

// ask puts one request to a handler and returns its status.
func ask(ctx context.Context, h http.Handler) int {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequestWithContext(ctx, http.MethodGet, "/metrics", nil))
	return w.Code
}

// TestPaceLeavesTheProcessor hammers a handler that takes 30 ms and counts how much of
// a minute it works; then it comes once a second and must not wait.
func TestPaceLeavesTheProcessor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var worked atomic.Int64
		h := paced(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
			<-time.After(30 * time.Millisecond)
			worked.Add(1)
		}))
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		var wg sync.WaitGroup
		for range 20 {
			wg.Go(func() {
				for ctx.Err() == nil {
					ask(ctx, h)
				}
			})
		}
		wg.Wait()
		// One in 30 ms + 4 × 30 ms of rest: a fifth of the time.
		if n := worked.Load(); n < 395 || n > 401 {
			t.Errorf("%d scrapes of 30 ms in a minute, want 400", n)
		}
		for range 10 {
			<-time.After(time.Second)
			began := time.Now()
			if code := ask(t.Context(), h); code != http.StatusOK || time.Since(began) != 30*time.Millisecond {
				t.Errorf("a scrape each second got HTTP %d after %v", code, time.Since(began))
			}
		}
		<-time.After(time.Second)
	})
}

// TestPaceGivesUp answers 503 to one whose patience ends before its turn.
func TestPaceGivesUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		release := make(chan struct{})
		h := paced(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
		var wg sync.WaitGroup
		wg.Go(func() { ask(t.Context(), h) })
		synctest.Wait()
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		if code := ask(ctx, h); code != http.StatusServiceUnavailable {
			t.Errorf("HTTP %d, want 503", code)
		}
		close(release)
		wg.Wait()
		<-time.After(10 * time.Second)
	})
}
