package metrics

import (
	"math"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"nightcell/daemon/snapshot"
	"nightcell/drivers"
)

// metric is one value of a cell, an alarm, a route or a push: how it is named and where it stands in a snapshot.
type metric[T any] struct {
	desc *prometheus.Desc
	kind prometheus.ValueType
	of   func(T) float64 // not finite: not known, left out
}

func labels(more ...string) []string { return append([]string{"cell", "supply"}, more...) }

func gauge(name, help string, of func(*snapshot.Cell) float64) figure {
	return figure{prometheus.NewDesc("nightcell_"+name, help, labels(), nil), prometheus.GaugeValue, of}
}

func counter(name, help string, of func(*snapshot.Cell) float64) figure {
	return figure{prometheus.NewDesc("nightcell_"+name, help, labels(), nil), prometheus.CounterValue, of}
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

// onlyIf is v when it means something.
func onlyIf(ok bool, v float64) float64 {
	if !ok {
		return math.NaN()
	}
	return v
}

// read is v once there is a reading, run once there is a run, and asked once the supply has answered.
func read(c *snapshot.Cell, v float64) float64  { return onlyIf(!c.Reading.At.IsZero(), v) }
func run(c *snapshot.Cell, v float64) float64   { return onlyIf(c.Run != "", v) }
func asked(c *snapshot.Cell, v float64) float64 { return onlyIf(c.Link.Reconnects > 0, v) }

type figure = metric[*snapshot.Cell]

// watchFigures tell of the watch, the supply and its readings.
func watchFigures() []figure {
	return []figure{
		gauge("watch_timestamp_seconds", "When the cell's loop last ran, Unix time; it stops if the loop hangs.", func(c *snapshot.Cell) float64 { return unix(c.At) }),
		gauge("supply_up", "1 while the supply answers.", func(c *snapshot.Cell) float64 { return truth(c.Link.Up) }),
		gauge("supply_changed_timestamp_seconds", "When the supply last started or stopped answering, Unix time.", func(c *snapshot.Cell) float64 { return unix(c.Link.Since) }),
		counter("supply_opened_total", "Times the line to the supply was opened since nightcell started.", func(c *snapshot.Cell) float64 { return float64(c.Link.Reconnects) }),
		gauge("voltage_volts", "Voltage of the newest reading.", func(c *snapshot.Cell) float64 { return read(c, c.Reading.Volts) }),
		gauge("current_amperes", "Current of the newest reading.", func(c *snapshot.Cell) float64 { return read(c, c.Reading.Amperes) }),
		gauge("output_on", "1 when the supply reports its output on, 0 when off; absent when it does not report it.", outputOn),
		gauge("constant_current", "1 in constant-current mode, 0 in constant-voltage mode; absent when the supply does not report it.", constantCurrent),
		gauge("reading_timestamp_seconds", "When the newest good reading was taken, Unix time.", func(c *snapshot.Cell) float64 { return unix(c.Reading.At) }),
		gauge("reading_age_seconds", "Age of the newest good reading when the cell's loop last ran.", func(c *snapshot.Cell) float64 { return read(c, math.Max(0, c.At.Sub(c.Reading.At).Seconds())) }),
		gauge("poll_interval_seconds", "Time between two polls as configured.", func(c *snapshot.Cell) float64 { return c.Poll.EverySeconds }),
		gauge("set_voltage_volts", "Voltage set-point last read back.", func(c *snapshot.Cell) float64 { return asked(c, float64(c.Settings.SetVolts)) }),
		gauge("set_current_amperes", "Current set-point last read back.", func(c *snapshot.Cell) float64 { return asked(c, float64(c.Settings.SetAmperes)) }),
		gauge("protection_voltage_volts", "Over-voltage protection level last read back.", func(c *snapshot.Cell) float64 { return asked(c, float64(c.Settings.LimitVolts)) }),
		gauge("protection_current_amperes", "Over-current protection level last read back.", func(c *snapshot.Cell) float64 { return asked(c, float64(c.Settings.LimitAmperes)) }),
		gauge("protection_tripped", "1 when a protection of the supply has tripped.", func(c *snapshot.Cell) float64 { return asked(c, truth(len(c.Settings.Tripped) > 0)) }),
		gauge("settings_timestamp_seconds", "When set-points and protections were last read back, Unix time.", func(c *snapshot.Cell) float64 { return asked(c, unix(c.Settings.At)) }),
		gauge("log_bytes", "Size of the run log.", func(c *snapshot.Cell) float64 { return run(c, float64(c.Log.Bytes)) }),
		gauge("log_backlog_bytes", "Run log bytes waiting in memory for the disk.", func(c *snapshot.Cell) float64 { return float64(c.Log.Backlog) }),
		gauge("log_failing", "1 while the run log cannot be written.", func(c *snapshot.Cell) float64 { return truth(c.Log.Problem != "") }),
		counter("log_lost_lines_total", "Lines of the run log lost because disk and memory were full, in this run since nightcell started.", func(c *snapshot.Cell) float64 { return float64(c.Log.LostLines) }),
		gauge("log_disk_free_bytes", "Free space on the disk of the run log.", func(c *snapshot.Cell) float64 { return run(c, c.Log.DiskFree) }),
	}
}

// runFigures tell of the run. Its counters come from the run log: they go on over a
// restart of nightcell and begin anew with the next run. Charge and energy are gauges,
// because a zero, a correction or a settled gap may take some away afterwards.
func runFigures() []figure {
	return []figure{
		gauge("run_open", "1 while a run is open.", func(c *snapshot.Cell) float64 { return truth(c.Run != "" && !c.Ended && !c.Waiting) }),
		gauge("run_begin_timestamp_seconds", "When the run started, Unix time.", func(c *snapshot.Cell) float64 { return run(c, unix(c.Began)) }),
		gauge("run_elapsed_seconds", "Time from the run's first reading to its newest.", func(c *snapshot.Cell) float64 { return run(c, c.Elapsed.Seconds()) }),
		gauge("run_preflight_passed", "1 once the pre-flight is passed.", func(c *snapshot.Cell) float64 { return run(c, truth(c.Cleared)) }),
		gauge("run_off_verified", "1 once nightcell has switched the output off and read that back.", func(c *snapshot.Cell) float64 { return run(c, truth(c.OffVerified)) }),
		counter("readings_total", "Good readings counted in this run.", func(c *snapshot.Cell) float64 { return run(c, float64(c.Reading.Count)) }),
		counter("observed_seconds_total", "Time of this run that was observed.", func(c *snapshot.Cell) float64 { return run(c, math.Max(0, c.Elapsed.Seconds()-c.Charge.GapSeconds)) }),
		counter("gap_seconds_total", "Time of this run that was not observed.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.GapSeconds) }),
		counter("gaps_total", "Gaps in this run.", func(c *snapshot.Cell) float64 { return run(c, float64(c.Charge.Gaps)) }),
		gauge("charge_coulombs", "Charge counted in this run: observed plus the best value of each gap.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.CountedCoulombs) }),
		gauge("charge_observed_coulombs", "Charge observed in this run, without gaps.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.ObservedCoulombs) }),
		gauge("charge_uncertainty_coulombs", "Standard uncertainty (k = 1) of the counted charge.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.UncertaintyCoulombs) }),
		gauge("gap_charge_low_coulombs", "Least charge that can have passed in the gaps.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.GapLowCoulombs) }),
		gauge("gap_charge_high_coulombs", "Most charge that can have passed in the gaps.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.GapHighCoulombs) }),
		gauge("target_coulombs", "Target charge now.", func(c *snapshot.Cell) float64 { return c.Charge.TargetCoulombs }),
		gauge("target_uncertainty_coulombs", "Standard uncertainty (k = 1) of the target charge.", func(c *snapshot.Cell) float64 { return c.Charge.TargetUncertainty }),
		gauge("target_planned_coulombs", "Target charge as planned before the run.", func(c *snapshot.Cell) float64 { return c.PlannedTarget }),
		gauge("target_reached", "1 once the target charge has been counted.", func(c *snapshot.Cell) float64 { return run(c, truth(c.Charge.TargetReached)) }),
		gauge("target_remaining_seconds", "Time to the target at the present current; absent if it will not be reached.", func(c *snapshot.Cell) float64 { return c.Charge.SecondsToTarget }),
		gauge("plan_charge_coulombs", "Charge planned by now, up to the present target, plus what passed through a short circuit.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.PlanCoulombs) }),
		gauge("energy_joules", "Energy delivered in this run: observed plus the best value of each gap.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.EnergyJoules) }),
		gauge("energy_observed_joules", "Energy observed in this run, without gaps.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.EnergyObserved) }),
		gauge("energy_uncertainty_joules", "Standard uncertainty (k = 1) of the energy.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.EnergyUncertainty) }),
	}
}

// bathFigures tell what the model makes of the counted charge: estimates, all of them.
func bathFigures() []figure {
	return []figure{
		gauge("deposit_grams", "Estimated metal on the cathode, by model and the last assay.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.DepositGrams) }),
		gauge("deposit_theoretical_grams", "Theoretical deposit: metal on the cathode at 100 % current efficiency.", func(c *snapshot.Cell) float64 { return run(c, c.Charge.TheoreticalGrams) }),
		gauge("bath_concentration_grams_per_litre", "Estimated metal left in the bath, in a divided cell in the catholyte.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.ConcentrationGramPerLitre) }),
		gauge("efficiency_ratio", "Estimated current efficiency of the run so far: deposit over theoretical deposit.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.OverallEfficiency) }),
		gauge("marginal_efficiency_ratio", "Estimated current efficiency at this moment.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.MarginalEfficiency) }),
		gauge("current_density_amperes_per_square_metre", "Current density on the stated cathode area.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.CurrentDensity) }),
		gauge("limiting_current_ratio", "Current as a share of the limiting current.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.OfLimitingCurrent) }),
		gauge("hydrogen_worst_case_cubic_metres_per_second", "Hydrogen if all of the present current made it, at 25 degrees Celsius and one atmosphere.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.HydrogenLitresPerHour/3.6e6) }),
		gauge("hydrogen_cubic_metres", "Estimated hydrogen made in this run, at 25 degrees Celsius and one atmosphere.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.HydrogenLitres/1e3) }),
		gauge("anode_gas_cubic_metres_per_second", "Gas that the present current makes at the anode, at 25 degrees Celsius and one atmosphere; cell_info names it.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.AnodeGasLitresPerHour/3.6e6) }),
		gauge("acid_grams", "Estimated acid made in this run.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.AcidGrams) }),
		gauge("water_split_grams", "Water split by the charge of this run, at most.", func(c *snapshot.Cell) float64 { return run(c, c.Bath.WaterGrams) }),
	}
}

// which is 1 for one of two values and 0 for the other; any other is not known.
func which[T comparable](v, one, zero T) float64 {
	switch v {
	case one:
		return 1
	case zero:
		return 0
	}
	return math.NaN()
}

func outputOn(c *snapshot.Cell) float64 {
	return which(c.Reading.Output, drivers.OutputOn, drivers.OutputOff)
}

func constantCurrent(c *snapshot.Cell) float64 {
	return which(c.Reading.Mode, drivers.ConstantCurrent, drivers.ConstantVoltage)
}
