package page_test

import (
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
)

// TestTheLastWordGoesOut: that nobody watches a live output any more is told before the daemon has ended, over a route that fails at first too.
func TestTheLastWordGoesOut(t *testing.T) {
	var mu sync.Mutex
	var told []string
	tries := 0
	hook := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(r.Body)
		if err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		if tries++; tries == 1 {
			w.WriteHeader(http.StatusInternalServerError)
			return
		}
		told = append(told, string(body))
	}))
	t.Cleanup(func() { // after the daemon has ended
		hook.Close()
		if len(told) == 0 || !strings.Contains(told[len(told)-1], "stopped, the supply continues to deliver 3 A") {
			t.Errorf("told: %q", told)
		}
	})
	w := watch(t, setup{speed: 1, poll: "100 ms", page: fmt.Sprintf("[route.hook]\nkind = \"webhook\"\nurl = %q", hook.URL)})
	w.latest(t)
}
