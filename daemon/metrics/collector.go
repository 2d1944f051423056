package metrics

import (
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightcell/daemon/snapshot"
)

// figure is one metric of a cell: how it is named and where it stands in a snapshot.
type figure struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
	of   func(*snapshot.Cell) float64 // NaN: not known, left out
}

func gauge(name, help string, of func(*snapshot.Cell) float64) figure {
	return figure{prometheus.NewDesc(name, help, []string{"cell", "supply"}, nil), prometheus.GaugeValue, of}
}

func counter(name, help string, of func(*snapshot.Cell) float64) figure {
	return figure{prometheus.NewDesc(name, help, []string{"cell", "supply"}, nil), prometheus.CounterValue, of}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

// unix is t in seconds, NaN for the zero time.
func unix(t time.Time) float64 {
	if t.IsZero() {
		return math.NaN()
	}
	return float64(t.UnixNano()) / 1e9
}

// figures are all metrics with one value per cell. Counters count within the run
// and continue after a restart of nightcell, because the run log does.
var figures = []figure{
	gauge("nightcell_supply_up", "1 while the supply answers.", func(c *snapshot.Cell) float64 { return truth(c.Link.Up) }),
	gauge("nightcell_voltage_volts", "Voltage of the newest reading.", func(c *snapshot.Cell) float64 { return read(c, c.Reading.Volts) }),
	gauge("nightcell_current_amperes", "Current of the newest reading.", func(c *snapshot.Cell) float64 { return read(c, c.Reading.Amperes) }),
	gauge("nightcell_output_on", "1 when the supply says its output is on, 0 when off; absent when it does not say.", outputOn),
	gauge("nightcell_constant_current", "1 in constant-current regulation, 0 in constant-voltage; absent when the supply does not say.", constantCurrent),
	gauge("nightcell_reading_timestamp_seconds", "When the newest good reading was taken, Unix time.", func(c *snapshot.Cell) float64 { return unix(c.Reading.At) }),
	gauge("nightcell_run_begin_timestamp_seconds", "When the run began, Unix time.", func(c *snapshot.Cell) float64 { return unix(c.Began) }),
	gauge("nightcell_run_ended", "1 when the run has ended.", func(c *snapshot.Cell) float64 { return truth(c.Ended) }),
	counter("nightcell_readings_total", "Good readings counted in this run.", func(c *snapshot.Cell) float64 { return float64(c.Reading.Count) }),
	counter("nightcell_reconnects_total", "Times the line to the supply was opened.", func(c *snapshot.Cell) float64 { return float64(c.Link.Reconnects) }),
	gauge("nightcell_charge_coulombs", "Charge counted in this run: observed plus the best value of each gap.", func(c *snapshot.Cell) float64 { return c.Charge.CountedCoulombs }),
	counter("nightcell_charge_observed_coulombs_total", "Charge seen by readings in this run, gaps left out.", func(c *snapshot.Cell) float64 { return math.Max(0, c.Charge.ObservedCoulombs) }),
	gauge("nightcell_charge_uncertainty_coulombs", "Standard uncertainty (k = 1) of the counted charge.", func(c *snapshot.Cell) float64 { return c.Charge.UncertaintyCoulombs }),
	gauge("nightcell_gap_charge_low_coulombs", "Least charge that can have passed in the gaps.", func(c *snapshot.Cell) float64 { return c.Charge.GapLowCoulombs }),
	gauge("nightcell_gap_charge_high_coulombs", "Most charge that can have passed in the gaps.", func(c *snapshot.Cell) float64 { return c.Charge.GapHighCoulombs }),
	gauge("nightcell_gaps", "Gaps in this run.", func(c *snapshot.Cell) float64 { return float64(c.Charge.Gaps) }),
	gauge("nightcell_gap_duration_seconds", "Time not observed in this run.", func(c *snapshot.Cell) float64 { return c.Charge.GapSeconds }),
	gauge("nightcell_target_coulombs", "Target charge of this run.", func(c *snapshot.Cell) float64 { return c.Charge.TargetCoulombs }),
	gauge("nightcell_target_uncertainty_coulombs", "Standard uncertainty (k = 1) of the target charge.", func(c *snapshot.Cell) float64 { return c.Charge.TargetUncertainty }),
	gauge("nightcell_target_reached", "1 once the target charge has been counted.", func(c *snapshot.Cell) float64 { return truth(c.Charge.TargetReached) }),
	gauge("nightcell_plan_charge_coulombs", "Charge that the plan would have passed by now.", func(c *snapshot.Cell) float64 { return c.Charge.PlanCoulombs }),
	gauge("nightcell_target_remaining_seconds", "Time to the target at the present current.", func(c *snapshot.Cell) float64 { return c.Charge.SecondsToTarget }),
	counter("nightcell_energy_joules_total", "Energy delivered to the cell in this run.", func(c *snapshot.Cell) float64 { return math.Max(0, c.Charge.EnergyJoules) }),
	gauge("nightcell_deposit_grams", "Estimated metal on the cathode.", func(c *snapshot.Cell) float64 { return c.Bath.DepositGrams }),
	gauge("nightcell_bath_concentration_grams_per_liter", "Estimated metal left in the catholyte.", func(c *snapshot.Cell) float64 { return c.Bath.ConcentrationGramPerLitre }),
	gauge("nightcell_efficiency_ratio", "Estimated current efficiency of the run so far.", func(c *snapshot.Cell) float64 { return c.Bath.OverallEfficiency }),
	gauge("nightcell_marginal_efficiency_ratio", "Estimated current efficiency at this moment.", func(c *snapshot.Cell) float64 { return c.Bath.MarginalEfficiency }),
	gauge("nightcell_current_density_amperes_per_square_meter", "Current density on the stated cathode area.", func(c *snapshot.Cell) float64 { return c.Bath.CurrentDensity }),
	gauge("nightcell_limiting_current_ratio", "Current as a share of the limiting current.", func(c *snapshot.Cell) float64 { return c.Bath.OfLimitingCurrent }),
	gauge("nightcell_hydrogen_worst_case_cubic_meters_per_second", "Hydrogen if all of the current made it, at 25 degrees Celsius.", func(c *snapshot.Cell) float64 { return c.Bath.HydrogenLitresPerHour / 3.6e6 }),
	gauge("nightcell_set_volts", "Voltage set-point last read back.", func(c *snapshot.Cell) float64 { return c.Settings.SetVolts }),
	gauge("nightcell_set_amperes", "Current set-point last read back.", func(c *snapshot.Cell) float64 { return c.Settings.SetAmperes }),
	gauge("nightcell_log_bytes", "Size of the run log.", func(c *snapshot.Cell) float64 { return float64(c.Log.Bytes) }),
	gauge("nightcell_log_waiting_bytes", "Bytes of log lines waiting in memory for disk space.", func(c *snapshot.Cell) float64 { return float64(c.Log.Backlog) }),
	gauge("nightcell_log_disk_free_bytes", "Free space where the run log lives.", func(c *snapshot.Cell) float64 { return c.Log.DiskFree }),
}

// read is v once there is a reading.
func read(c *snapshot.Cell, v float64) float64 {
	if c.Reading.At.IsZero() {
		return math.NaN()
	}
	return v
}

func outputOn(c *snapshot.Cell) float64 {
	switch c.Reading.Output {
	case "on":
		return 1
	case "off":
		return 0
	}
	return math.NaN()
}

func constantCurrent(c *snapshot.Cell) float64 {
	switch c.Reading.Mode {
	case "constant-current":
		return 1
	case "constant-voltage":
		return 0
	}
	return math.NaN()
}

var (
	refusedDesc = prometheus.NewDesc("nightcell_refused_answers_total", "Answers of the supply that were not counted, by reason.", []string{"cell", "supply", "reason"}, nil)
	pollsDesc   = prometheus.NewDesc("nightcell_polls_total", "Polls by result.", []string{"cell", "supply", "result"}, nil)
	alarmDesc   = prometheus.NewDesc("nightcell_alarm_active", "1 for each alarm that is not in the normal state.", []string{"cell", "supply", "condition", "priority", "state"}, nil)
	partDesc    = prometheus.NewDesc("nightcell_charge_uncertainty_part_coulombs", "Standard uncertainty of the counted charge by source.", []string{"cell", "supply", "source"}, nil)
	routeDesc   = wayDescs("route")
	pushDesc    = wayDescs("push")
)

// wayDescs are the metrics of a way out: a notice route or a dashboard push.
func wayDescs(kind string) [4]*prometheus.Desc {
	labels := []string{"cell", "supply", kind}
	return [4]*prometheus.Desc{
		prometheus.NewDesc("nightcell_"+kind+"_lag_seconds", "Age of the oldest item that this "+kind+" has not delivered.", labels, nil),
		prometheus.NewDesc("nightcell_"+kind+"_waiting", "Items that this "+kind+" has yet to deliver.", labels, nil),
		prometheus.NewDesc("nightcell_"+kind+"_delivered_total", "Items delivered since nightcell started.", labels, nil),
		prometheus.NewDesc("nightcell_"+kind+"_failures_total", "Failed attempts since nightcell started.", labels, nil),
	}
}

type collector struct{ cells Cells }

// Describe sends every description, so that the registry can check names once.
func (c *collector) Describe(ch chan<- *prometheus.Desc) {
	for _, f := range figures {
		ch <- f.desc
	}
	for _, d := range []*prometheus.Desc{refusedDesc, pollsDesc, alarmDesc, partDesc} {
		ch <- d
	}
	for i := range routeDesc {
		ch <- routeDesc[i]
		ch <- pushDesc[i]
	}
}

// Collect reads each cell's newest snapshot once.
func (c *collector) Collect(ch chan<- prometheus.Metric) {
	for _, s := range c.cells() {
		for _, f := range figures {
			if v := f.of(s); !math.IsNaN(v) {
				ch <- prometheus.MustNewConstMetric(f.desc, f.kind, v, s.Name, s.Supply)
			}
		}
		for _, r := range s.Refused {
			ch <- prometheus.MustNewConstMetric(refusedDesc, prometheus.CounterValue, float64(r.N), s.Name, s.Supply, r.Label)
		}
		ch <- prometheus.MustNewConstMetric(pollsDesc, prometheus.CounterValue, float64(s.Poll.Good), s.Name, s.Supply, "good")
		ch <- prometheus.MustNewConstMetric(pollsDesc, prometheus.CounterValue, float64(s.Poll.Bad), s.Name, s.Supply, "bad")
		for _, a := range s.Alarms {
			ch <- prometheus.MustNewConstMetric(alarmDesc, prometheus.GaugeValue, 1, s.Name, s.Supply, a.Condition, a.Priority, a.State)
		}
		for _, p := range s.Charge.Budget.Components() {
			ch <- prometheus.MustNewConstMetric(partDesc, prometheus.GaugeValue, p.StandardUncertainty, s.Name, s.Supply, p.Source)
		}
		ways(ch, routeDesc, s, s.Outlet.Routes)
		ways(ch, pushDesc, s, s.Outlet.Pushes)
	}
}

func ways(ch chan<- prometheus.Metric, d [4]*prometheus.Desc, s *snapshot.Cell, all []snapshot.Way) {
	for _, w := range all {
		ch <- prometheus.MustNewConstMetric(d[0], prometheus.GaugeValue, w.LagSeconds, s.Name, s.Supply, w.Name)
		ch <- prometheus.MustNewConstMetric(d[1], prometheus.GaugeValue, float64(w.Waiting), s.Name, s.Supply, w.Name)
		ch <- prometheus.MustNewConstMetric(d[2], prometheus.CounterValue, float64(w.Delivered), s.Name, s.Supply, w.Name)
		ch <- prometheus.MustNewConstMetric(d[3], prometheus.CounterValue, float64(w.Failed), s.Name, s.Supply, w.Name)
	}
}
