package electrolysis

import "math"

// Limits of gas in room air as volume fractions.
const (
	// HydrogenFlammable is the lower flammable limit of hydrogen in air, 4 % (IEC 62485 as quoted by room designers).
	HydrogenFlammable = 0.04
	// HydrogenQuarter is a quarter of that, 1 %, the usual ceiling for a room.
	HydrogenQuarter = HydrogenFlammable / 4
	// ChlorineCeiling is 0.5 ppm, the NIOSH 15-minute ceiling (cdc.gov/niosh/idlh/7782505.html).
	ChlorineCeiling = 0.5e-6
	// ChlorineDangerous is 10 ppm, immediately dangerous to life or health (same page).
	ChlorineDangerous = 10e-6
)

// The battery-room rule of EN 50272-3 and IEC 62485: air = v·q·s·I for each cell that gasses
// with the whole current, with dilution v = (100 − 4)/4 = 24, q = 0.42e-3 m³/(A·h) of hydrogen
// at 0 °C and safety factor s = 5. The product is 0.0504; the standard prints 0.05.
const batteryRoomFactor = 0.05 / 3600 // m³/s per ampere

// BatteryRoomAirflow returns the air in m³/s that the battery-room standards ask
// for one cell that gasses with all of current amperes.
func BatteryRoomAirflow(current float64) float64 {
	if !notNegative(current) {
		return math.NaN()
	}
	return batteryRoomFactor * current
}

// DilutionAirflow returns the air in m³/s that holds gas made at rate m³/s at volume
// fraction limit once it is mixed: rate/limit. Above the cell itself the mixture is
// richer, whatever the room average.
func DilutionAirflow(rate, limit float64) float64 {
	if !notNegative(rate) || !positive(limit) {
		return math.NaN()
	}
	return rate / limit
}

// SteadyFraction returns the volume fraction that gas made at rate m³/s settles to
// in a mixed room with airflow m³/s of fresh air, at most 1. No airflow gives 1
// (0 if no gas is made).
func SteadyFraction(rate, airflow float64) float64 {
	switch {
	case !notNegative(rate, airflow):
		return math.NaN()
	case rate == 0:
		return 0
	}
	return math.Min(1, rate/airflow)
}

// closedShare is the share of the room's air exchanged below which it counts as closed: the
// answer is the same to all digits, and no quotient overflows.
const closedShare = 1e-13

// TimeToFraction returns the seconds until a mixed room of volume m³ with airflow
// m³/s of fresh air (0: closed) reaches the volume fraction limit of gas made at
// rate m³/s, starting from none: −(V/Q)·ln(1 − limit·Q/rate), and limit·V/rate when
// closed. +Inf if it never gets there. The gas is taken to push out no air, which
// errs on the early side; leaks and absorption on walls make it later.
func TimeToFraction(rate, volume, airflow, limit float64) float64 {
	if !notNegative(rate, airflow) || !positive(volume, limit) {
		return math.NaN()
	}
	if rate == 0 || airflow*limit >= rate {
		return math.Inf(1)
	}
	if airflow*limit < closedShare*rate {
		return limit * volume / rate
	}
	return -volume / airflow * math.Log1p(-limit*airflow/rate)
}

// FractionAfter returns the volume fraction in that room after seconds; the
// inverse of TimeToFraction.
func FractionAfter(rate, volume, airflow, seconds float64) float64 {
	if !notNegative(rate, airflow, seconds) || !positive(volume) {
		return math.NaN()
	}
	if airflow*seconds < closedShare*volume {
		return math.Min(1, rate*seconds/volume)
	}
	return math.Min(1, rate/airflow*-math.Expm1(-airflow/volume*seconds))
}

// VentOpening returns the free area in m² of each of two wall openings that let
// airflow m³/s through by natural draught: 28 cm² per m³/h (EN 50272-3, which
// presumes at least 0.1 m/s).
func VentOpening(airflow float64) float64 {
	if !notNegative(airflow) {
		return math.NaN()
	}
	return 28e-4 * 3600 * airflow
}
