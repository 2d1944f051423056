// Package metrics shows the cells to Prometheus: a collector that reads the newest
// snapshot of each cell at scrape time, on a registry of its own. A scrape takes
// copies and never touches a cell's loop, so it cannot delay a poll.
//
// All values are in SI base units, or in grams and litres where the trade and
// Prometheus agree on them. What is not known is absent. Every series of a cell has
// the labels cell and supply, as they are named in the configuration.
//
// Cardinality: at most 120 series for each cell, 4 more for each alarm
// that is not in the normal state, 6 for each route and each
// push of the cell, and 60 for the process, buckets, sums and counts of histograms included. No label holds free text but the supply's
// identity. Twenty cells with two routes and a push each make some 3000 series.
package metrics

import (
	"log/slog"
	"math"
	"net/http"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"golang.org/x/sync/semaphore"

	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
)

// Cells lists the newest snapshots of all cells; one that has none yet is left out.
type Cells func() []*snapshot.Cell

// Metrics is a registry with everything nightcell shows, and the histograms that a
// cell's loop feeds after each poll.
type Metrics struct {
	registry *prometheus.Registry
	took     *prometheus.HistogramVec
	late     *prometheus.HistogramVec
}

// New returns the metrics of these cells. version is shown in nightcell_build_info.
func New(version string, cells Cells) *Metrics {
	m := &Metrics{
		registry: prometheus.NewRegistry(),
		took: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name:    "nightcell_poll_duration_seconds",
			Help:    "Time from the first byte asked to the last byte answered of one good poll.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 14), // to 4 s: 9600 baud is slow
		}, labels()),
		late: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name:    "nightcell_poll_lateness_seconds",
			Help:    "How long after its scheduled moment a good poll began.",
			Buckets: prometheus.ExponentialBuckets(0.0001, 4, 10), // to 26 s
		}, labels()),
	}
	info := prometheus.NewGauge(prometheus.GaugeOpts{
		Name:        "nightcell_build_info",
		Help:        "Always 1; the labels say which build is running.",
		ConstLabels: prometheus.Labels{"version": version, "goversion": runtime.Version()},
	})
	info.Set(1)
	m.registry.MustRegister(info, m.took, m.late, newCollector(cells),
		// Without the memory statistics: a gauge and a counter of theirs share a name, which OpenMetrics forbids.
		collectors.NewGoCollector(collectors.WithGoCollectorMemStatsMetricsDisabled()), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Heartbeat shows how the beats to the outside watcher are getting on.
func (m *Metrics) Heartbeat(health func() routes.HeartbeatHealth) {
	count := func(name, help string, of func(routes.HeartbeatHealth) float64) {
		m.registry.MustRegister(prometheus.NewCounterFunc(prometheus.CounterOpts{Name: "nightcell_heartbeat_" + name, Help: help},
			func() float64 { return of(health()) }))
	}
	count("sent_total", "Heartbeats delivered since nightcell started.", func(h routes.HeartbeatHealth) float64 { return float64(h.Sent) })
	count("failed_total", "Heartbeats that failed since nightcell started.", func(h routes.HeartbeatHealth) float64 { return float64(h.Failed) })
	count("withheld_total", "Heartbeats withheld because a running cell had no fresh reading, since nightcell started.", func(h routes.HeartbeatHealth) float64 { return float64(h.Withheld) })
}

// Handler serves the metrics in the text format or, when asked for, OpenMetrics.
// What cannot be gathered is logged and counted, and the rest served: a fault of one
// cell must not hide the others. However often it is asked, it leaves most of the
// processor to the polls.
func (m *Metrics) Handler(log *slog.Logger) http.Handler {
	return http.TimeoutHandler(paced(m.unpaced(log)), 10*time.Second, "metrics are asked for too often; ask again later\n")
}

func (m *Metrics) unpaced(log *slog.Logger) http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{
		EnableOpenMetrics: true,
		ErrorHandling:     promhttp.ContinueOnError, ErrorLog: slog.NewLogLogger(log.Handler(), slog.LevelError), Registry: m.registry,
	})
}

// Observer is one cell's end of the poll histograms; observing allocates nothing.
type Observer struct{ took, late prometheus.Observer }

// Observer returns the histograms of one cell.
func (m *Metrics) Observer(cell, supply string) Observer {
	return Observer{took: m.took.WithLabelValues(cell, supply), late: m.late.WithLabelValues(cell, supply)}
}

// Poll records one poll: how long it took and how late it began, in seconds. The zero Observer records nothing.
func (o Observer) Poll(took, late float64) {
	if o.took == nil {
		return
	}
	o.took.Observe(took)
	o.late.Observe(math.Max(0, late))
}

// Scrapes take turns, and between two of them the machine gets at least shortestRest,
// and restShare times as long as the one before took: however hard somebody asks, most of
// the processor is left for the polls. A scraper that comes once a second never waits.
const (
	shortestRest = 20 * time.Millisecond
	restShare    = 4
)

// paced serves one request at a time with rests between them.
func paced(h http.Handler) http.Handler {
	turn := semaphore.NewWeighted(1)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if turn.Acquire(r.Context(), 1) != nil { // ends with the request, or when those before have had their turns
			http.Error(w, "others ask for metrics too often; ask again later", http.StatusServiceUnavailable)
			return
		}
		began := time.Now()
		defer func() {
			time.AfterFunc(max(shortestRest, restShare*time.Since(began)), func() { turn.Release(1) })
		}()
		h.ServeHTTP(w, r)
	})
}
