package metrics

import (
	"net/http"
	"time"
)

// Scrapes take turns, and between two of them the machine gets at least shortestRest,
// and restShare times as long as the one before took: however hard somebody asks, most of
// the processor is left for the polls. A scraper that comes once a second never waits.
const (
	shortestRest = 20 * time.Millisecond
	restShare    = 4
)

// paced serves one request at a time with rests between them.
func paced(h http.Handler) http.Handler {
	turn := make(chan struct{}, 1) // holds the turn while nobody has it
	turn <- struct{}{}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		select { // ends with the request, or when those before have had their turns
		case <-r.Context().Done():
			http.Error(w, "others ask for metrics too often; ask again later", http.StatusServiceUnavailable)
			return
		case <-turn:
		}
		began := time.Now()
		defer func() {
			rest := max(shortestRest, restShare*time.Since(began))
			time.AfterFunc(rest, func() { turn <- struct{}{} })
		}()
		h.ServeHTTP(w, r)
	})
}
