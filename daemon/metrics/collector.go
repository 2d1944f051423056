package metrics

import (
	"math"
	"runtime"
	"slices"
	"strings"

	"github.com/prometheus/client_golang/prometheus"

	"nightcell/alerts"
	"nightcell/alerts/routes"
	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

// collector reads each cell's newest snapshot once per scrape.
type collector struct {
	cells   Cells
	figures []metric[*snapshot.Cell]
	alarms  []metric[*alerts.Alarm]
	routes  []metric[*routes.Health]
	pushes  []metric[*routes.Health]

	cellInfo, supplyInfo  *prometheus.Desc
	polls, refused, parts *prometheus.Desc
}

func newCollector(cells Cells) *collector {
	desc := func(name, help string, more ...string) *prometheus.Desc {
		return prometheus.NewDesc("nightcell_"+name, help, labels(more...), nil)
	}
	return &collector{
		cells: cells, figures: slices.Concat(watchFigures(), runFigures(), bathFigures()),
		cellInfo:   desc("cell_info", "Always 1; the labels give the metal, the anode gas, and what nightcell may do by itself.", "metal", "anode_gas", "may"),
		supplyInfo: desc("supply_info", "Always 1; the label is the supply's identity.", "identity"),
		polls:      desc("polls_total", "Polls since nightcell started, by result.", "result"),
		refused:    desc("refused_answers_total", "Answers of the supply rejected since nightcell started, by reason.", "reason"),
		parts:      desc("charge_uncertainty_part_coulombs", "Standard uncertainty (k = 1) of the counted charge by source.", "source"),
		alarms: []metric[*alerts.Alarm]{
			{desc("alarm_active", "1 while the alarm is active, 0 while it is cleared or hidden; absent in the normal state.", "condition", "priority"), prometheus.GaugeValue, func(a *alerts.Alarm) float64 {
				return truth(a.State.Active() || a.State == alerts.LTUNK || a.State == alerts.LTACK)
			}},
			{desc("alarm_unacknowledged", "1 while the alarm is not acknowledged; absent in the normal state.", "condition", "priority"), prometheus.GaugeValue, func(a *alerts.Alarm) float64 { return truth(a.State.Unanswered()) }},
			{desc("alarm_hidden", "1 while the alarm is shelved, suppressed or out of service; absent in the normal state.", "condition", "priority"), prometheus.GaugeValue, func(a *alerts.Alarm) float64 { return truth(a.State.Hidden()) }},
			{desc("alarm_since_timestamp_seconds", "When the alarm was raised, Unix time; absent in the normal state.", "condition", "priority"), prometheus.GaugeValue, func(a *alerts.Alarm) float64 { return unix(a.Since) }},
		},
		routes: []metric[*routes.Health]{
			{desc("route_lag_seconds", "Age of the oldest notification due for delivery.", "route"), prometheus.GaugeValue, func(w *routes.Health) float64 { return w.Lag.Seconds() }},
			{desc("route_open_alarms", "Active alarms notified, or waiting for escalation.", "route"), prometheus.GaugeValue, func(w *routes.Health) float64 { return float64(w.OpenAlarms) }},
			{desc("route_failed_attempts", "Failed attempts since the route last delivered.", "route"), prometheus.GaugeValue, func(w *routes.Health) float64 { return float64(w.Failed) }},
			{desc("route_delivered_total", "Notifications delivered since nightcell started.", "route"), prometheus.CounterValue, func(w *routes.Health) float64 { return float64(w.Delivered) }},
			{desc("route_refused_notifications", "Notifications that the receiver refused for good.", "route"), prometheus.GaugeValue, func(w *routes.Health) float64 { return float64(w.SetAside) }},
			{desc("route_proved_timestamp_seconds", "When the receiver last accepted a notification, Unix time; absent if never.", "route"), prometheus.GaugeValue, func(w *routes.Health) float64 { return unix(w.Proved) }},
		},
		pushes: []metric[*routes.Health]{
			{desc("push_lag_seconds", "Age of the oldest line of the log that the database has not acknowledged.", "push"), prometheus.GaugeValue, func(w *routes.Health) float64 { return w.Lag.Seconds() }},
			{desc("push_waiting_bytes", "Bytes of the log that the database has not acknowledged.", "push"), prometheus.GaugeValue, func(w *routes.Health) float64 { return float64(w.WaitingBytes) }},
			{desc("push_failing", "1 while the newest attempt has failed.", "push"), prometheus.GaugeValue, func(w *routes.Health) float64 { return truth(w.Problem != "") }},
			{desc("push_lines_total", "Lines acknowledged since nightcell started.", "push"), prometheus.CounterValue, func(w *routes.Health) float64 { return float64(w.Delivered) }},
			{desc("push_rejected_lines_total", "Lines rejected by the database since nightcell started.", "push"), prometheus.CounterValue, func(w *routes.Health) float64 { return float64(w.SetAside) }},
			{desc("push_failures_total", "Failed requests with lines of this cell since nightcell started.", "push"), prometheus.CounterValue, func(w *routes.Health) float64 { return float64(w.Failed) }},
		},
	}
}

// Describe sends every description, so that the registry can check names once.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{c.cellInfo, c.supplyInfo, c.polls, c.refused, c.parts} {
		ch <- d
	}
	describe(ch, c.figures)
	describe(ch, c.alarms)
	describe(ch, slices.Concat(c.routes, c.pushes))
}

func describe[T any](ch chan<- *prometheus.Desc, all []metric[T]) {
	for _, m := range all {
		ch <- m.desc
	}
}

// Collect reads each cell's newest snapshot.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	cells := c.cells()
	// In the order in which they are shown, or sorting them would take most of a scrape.
	slices.SortFunc(cells, func(a, b *snapshot.Cell) int { return strings.Compare(a.Name, b.Name) })
	for _, s := range cells {
		runtime.Gosched() // polls that are due go first
		e := emitter{ch, []string{s.Name, s.Supply}}
		send(e, c.figures, s)
		e.send(c.cellInfo, prometheus.GaugeValue, 1, s.Metal, s.Bath.AnodeGas, s.May.String())
		if s.Link.Identity != "" {
			e.send(c.supplyInfo, prometheus.GaugeValue, 1, strings.ToValidUTF8(s.Link.Identity, "\uFFFD"))
		}
		e.send(c.polls, prometheus.CounterValue, float64(s.Poll.Good), "good")
		e.send(c.polls, prometheus.CounterValue, float64(s.Poll.Bad), "bad")
		for _, reason := range drivers.Reasons() {
			e.send(c.refused, prometheus.CounterValue, float64(s.Refused[reason]), string(reason))
		}
		if s.Run != "" {
			for _, p := range s.Charge.Budget.Components() {
				e.send(c.parts, prometheus.GaugeValue, p.StandardUncertainty, p.Source)
			}
		}
		for _, a := range s.Alarms {
			send(e, c.alarms, &a, a.Condition, a.Priority.String())
		}
		for _, w := range s.Outlet.Routes {
			send(e, c.routes, &w, w.Name)
		}
		for _, w := range s.Outlet.Pushes {
			send(e, c.pushes, &w, w.Name)
		}
	}
}

// emitter sends metrics of one cell.
type emitter struct {
	ch   chan<- prometheus.Metric
	base []string // the values of the labels cell and supply
}

// send leaves out what is not finite: it is not known.
func (e emitter) send(d *prometheus.Desc, kind prometheus.ValueType, v float64, more ...string) {
	if !math.IsNaN(v) && !math.IsInf(v, 0) {
		e.ch <- prometheus.MustNewConstMetric(d, kind, v, slices.Concat(e.base, more)...)
	}
}

// send sends what is known of a cell, an alarm, a route or a push.
func send[T any](e emitter, all []metric[T], of T, more ...string) {
	for _, m := range all {
		e.send(m.desc, m.kind, m.of(of), more...)
	}
}
