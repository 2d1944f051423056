// Package metrics shows the cells to Prometheus: a collector that reads the newest
// snapshot of each cell at scrape time, on a registry of its own. A scrape takes
// copies and never touches a cell's loop, so it cannot delay a poll.
package metrics

import (
	"math"
	"net/http"
	"runtime"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

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
			Help:    "Time from the first byte asked to the last byte answered of one poll.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2, 14),
		}, []string{"cell", "supply"}),
		late: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name:    "nightcell_poll_lateness_seconds",
			Help:    "How long after its scheduled moment a poll began.",
			Buckets: prometheus.ExponentialBuckets(0.0001, 4, 10),
		}, []string{"cell", "supply"}),
	}
	info := prometheus.NewGauge(prometheus.GaugeOpts{
		Name:        "nightcell_build_info",
		Help:        "Always 1; the labels say which build is running.",
		ConstLabels: prometheus.Labels{"version": version, "goversion": runtime.Version()},
	})
	info.Set(1)
	m.registry.MustRegister(info, m.took, m.late, &collector{cells: cells},
		collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return m
}

// Handler serves the metrics in the text format or, when asked for, OpenMetrics.
func (m *Metrics) Handler() http.Handler {
	return promhttp.HandlerFor(m.registry, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 4})
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
