package electrolysis

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

// Gas is a gas that an electrode makes.
type Gas uint8

// The gases of winning cells with insoluble anodes.
const (
	NoGas Gas = iota
	Hydrogen
	Oxygen
	Chlorine
)

// String returns the gas's name in words.
func (g Gas) String() string {
	return [...]string{"no gas", "hydrogen", "oxygen", "chlorine"}[g]
}

// ElectronsPerMole returns the electrons that pass for each molecule of the gas.
func (g Gas) ElectronsPerMole() float64 {
	return [...]float64{math.Inf(1), 2, 4, 2}[g]
}

// GasMoles returns the moles of gas that charge coulombs make if all of it makes this
// gas: charge / (electrons per molecule · F).
func (g Gas) GasMoles(charge float64) float64 {
	return charge / (g.ElectronsPerMole() * matter.Faraday)
}

// GasVolume returns the dry volume in m³ of the gas that charge coulombs make at
// temperature kelvin and pressure pascal if all of it makes this gas. Called with a
// current in amperes it returns m³/s.
func (g Gas) GasVolume(charge, temperature, pressure float64) float64 {
	return g.GasMoles(charge) * matter.MolarVolume(temperature, pressure)
}

// Limits of gas in room air as volume fractions.
const (
	// hydrogenFlammable is the lower flammable limit of hydrogen in air, 4 % (IEC 62485 as quoted by room designers).
	hydrogenFlammable = 0.04
	// hydrogenQuarter is a quarter of that, 1 %, the usual ceiling for a room.
	hydrogenQuarter = hydrogenFlammable / 4
	// chlorineCeiling is 0.5 ppm, the NIOSH 15-minute ceiling (cdc.gov/niosh/idlh/7782505.html).
	chlorineCeiling = 0.5e-6
)

// The battery-room rule of EN 50272-3 and IEC 62485: air = v·q·s·I for each cell that gasses
// with the whole current, with dilution v = (100 − 4)/4 = 24, q = 0.42e-3 m³/(A·h) of hydrogen
// at 0 °C and safety factor s = 5. The product is 0.0504; the standard prints 0.05.
const batteryRoomFactor = 0.05 / 3600 // m³/s per ampere

// BatteryRoomAirflow returns the air in m³/s that the battery-room standards ask
// for one cell that gasses with all of current amperes.
func BatteryRoomAirflow(current float64) float64 { return batteryRoomFactor * current }

// dilutionAirflow returns the air in m³/s that holds gas made at rate m³/s at volume
// fraction limit once it is mixed: rate/limit. Above the cell itself the mixture is
// richer, whatever the room average.
func dilutionAirflow(rate, limit float64) float64 { return rate / limit }

// steadyFraction returns the volume fraction that gas made at rate m³/s settles to
// in a mixed room with airflow m³/s of fresh air, at most 1.
func steadyFraction(rate, airflow float64) float64 { return math.Min(1, rate/airflow) }

// closedShare is the share of the room's air exchanged below which it counts as closed: the
// answer is the same to all digits, and no quotient overflows.
const closedShare = 1e-13

// timeToFraction returns the seconds until a mixed room of volume m³ with airflow
// m³/s of fresh air (0: closed) reaches the volume fraction limit of gas made at
// rate m³/s, starting from none: −(V/Q)·ln(1 − limit·Q/rate), and limit·V/rate when
// closed. +Inf if it never gets there. The gas is taken to push out no air, which
// errs on the early side; leaks and absorption on walls make it later.
func timeToFraction(rate, volume, airflow, limit float64) float64 {
	if airflow*limit >= rate {
		return math.Inf(1)
	}
	if airflow*limit < closedShare*rate {
		return limit * volume / rate
	}
	return -volume / airflow * math.Log1p(-limit*airflow/rate)
}

// fractionAfter returns the volume fraction in that room after seconds; the
// inverse of timeToFraction.
func fractionAfter(rate, volume, airflow, seconds float64) float64 {
	if airflow*seconds < closedShare*volume {
		return math.Min(1, rate*seconds/volume)
	}
	return math.Min(1, rate/airflow*-math.Expm1(-airflow/volume*seconds))
}

// ventOpening returns the free area in m² of each of two wall openings that let
// airflow m³/s through by natural draught: 28 cm² per m³/h (EN 50272-3, which
// presumes at least 0.1 m/s).
func ventOpening(airflow float64) float64 { return 28e-4 * 3600 * airflow }

// GasLoad is one gas of the run, dry, at the room's temperature and one atmosphere.
type GasLoad struct {
	Gas      Gas
	Possible bool          // true if it is not expected but cannot be ruled out
	Rate     matter.Figure // m³/s at the stated efficiency
	Worst    matter.Figure // m³/s to size air by: hydrogen at efficiency zero, an anode gas with all of the current
	Total    matter.Figure // m³ over the run at the stated efficiency
	Most     matter.Figure // m³ over the run on the basis of Worst; chlorine no more than the stated chloride gives
}

// Air is what the room must do about the gases.
type Air struct {
	BatteryRoom      matter.Figure // m³/s by the battery-room standards
	QuarterFlammable matter.Figure // m³/s to hold hydrogen at 1 %
	Needed           matter.Figure // m³/s, the larger of the two
	Opening          matter.Figure // m² of each of two wall openings that let it through by natural draught
	ChlorineDilution matter.Figure // m³/s to hold chlorine at 0.5 ppm; known only with a chloride medium. It asks for a hood
	HydrogenTime     matter.Figure // s until the room holds 1 % hydrogen, +Inf if never; known with a room volume
	ChlorineTime     matter.Figure // s until the room holds 0.5 ppm chlorine
	HydrogenAtEnd    matter.Figure // volume fraction in the room when the run ends
	HydrogenSteady   matter.Figure // volume fraction with the stated airflow
	ChlorineSteady   matter.Figure // volume fraction with the stated airflow
}

func (a *Assessment) gases() {
	c := a.Conditions
	ambient := c.Ambient.Value
	source := fmt.Sprintf("Faraday alone; dry ideal gas, %.0f °C, 1 atm", ambient-matter.ZeroCelsius)
	load := func(gas Gas, share float64, possible bool, of ...matter.Figure) GasLoad {
		flow := func(amount matter.Figure, part float64, of ...matter.Figure) matter.Figure {
			return combine(part*gas.GasVolume(amount.Value, ambient, matter.Atmosphere), source, append(of, amount)...)
		}
		return GasLoad{
			Gas: gas, Possible: possible,
			Rate: flow(c.Current, share, of...), Worst: flow(c.Current, 1),
			Total: flow(c.Charge, share, of...), Most: skewed(flow(c.Charge, 1), c.Charge, 1),
		}
	}
	hydrogen := load(Hydrogen, 1-c.Efficiency.Value, false, c.Efficiency)
	hydrogen.Rate.StandardUncertainty = Hydrogen.GasVolume(c.Current.Value*c.Efficiency.StandardUncertainty, ambient, matter.Atmosphere)
	hydrogen.Total.StandardUncertainty = Hydrogen.GasVolume(c.Charge.Value*c.Efficiency.StandardUncertainty, ambient, matter.Atmosphere)
	if e, all := c.Efficiency, hydrogen.Most; e.Skewed() {
		hydrogen.Rate.Low, hydrogen.Rate.High = hydrogen.Worst.Value*(1-e.High), hydrogen.Worst.Value*(1-e.Low)
		hydrogen.Total.Low, hydrogen.Total.High = all.Low*(1-e.High), all.High*(1-e.Low)
	}
	a.Gas = []GasLoad{hydrogen}
	best, low, high := a.anodeCharges()
	atAnode := func(gas Gas, possible bool) {
		share := func(s anodeCharge) float64 { return s.Gas[gas] / c.Charge.Value }
		g := load(gas, share(best), possible)
		g.Total = skewed(g.Total, c.Charge, 1)
		g.Rate = between(g.Rate, g.Worst.Value*share(low), g.Worst.Value*share(high))
		g.Total = between(g.Total, g.Most.Value*share(low), g.Most.Value*share(high))
		if gas == Chlorine && c.Chloride.Known() {
			if stock := a.chlorideStock(); stock < c.Charge.Value {
				g.Most = combine(gas.GasVolume(stock, ambient, matter.Atmosphere), "all the chloride in the cell", c.Chloride, c.Volume)
			}
		}
		a.Gas = append(a.Gas, g)
	}
	for _, r := range a.Anode {
		if r.Gas != NoGas {
			atAnode(r.Gas, !r.Expected)
		}
	}
	if c.SolubleAnode {
		atAnode(Oxygen, true) // what does not dissolve it
	}
	most := a.mostCurrent()
	for i, g := range a.Gas {
		a.Gas[i].Rate.Mark, a.Gas[i].Total.Mark = matter.Assumed, matter.Assumed // that nothing else takes the charge
		if most.Value > c.Current.Value {
			a.Gas[i].Worst = combine(g.Worst.Value*most.Value/c.Current.Value, source, most)
		}
	}
}

// mostCurrent is what air is sized by: the current, or under constant voltage the limit that it may creep to.
func (a *Assessment) mostCurrent() matter.Figure {
	if limit := a.Heat.Held.Limit; limit.Known() {
		return limit
	}
	return a.Conditions.Current
}

// chlorideStock is the charge in C that turns all the known chloride of the cell to chlorine; +Inf where nobody knows how much there is.
func (a *Assessment) chlorideStock() float64 {
	c := a.Conditions
	if !c.Chloride.Known() {
		return math.Inf(1)
	}
	volume := c.Volume.Value
	if c.Separator != NoSeparator { // what stands behind the separator may cross it
		volume += c.Anolyte.Value
	}
	return c.Chloride.Value * volume * matter.Faraday
}

func (a *Assessment) air() {
	c, air := a.Conditions, &a.Air
	hydrogen := a.Gas[0].Worst
	const standard = "EN 50272-3 and IEC 62485 as quoted: 0.05 m³/h per ampere and cell"
	air.BatteryRoom = combine(BatteryRoomAirflow(a.mostCurrent().Value), standard, a.mostCurrent())
	air.QuarterFlammable = combine(dilutionAirflow(hydrogen.Value, hydrogenQuarter), "all current to hydrogen, held at 1 %", hydrogen)
	air.Needed = air.BatteryRoom
	if air.QuarterFlammable.Value > air.Needed.Value {
		air.Needed = air.QuarterFlammable
	}
	air.Opening = combine(ventOpening(air.Needed.Value), "EN 50272-3 as quoted: 28 cm² per m³/h", air.Needed)
	air.HydrogenTime, air.HydrogenSteady = a.buildUp(hydrogen, hydrogenQuarter)
	if c.RoomVolume.Known() {
		air.HydrogenAtEnd = combine(fractionAfter(hydrogen.Value, c.RoomVolume.Value, c.Airflow.Value, a.Duration.Value),
			"mixed room, efficiency zero", hydrogen, c.RoomVolume, c.Airflow, a.Duration)
	}
	for _, g := range a.Gas {
		if g.Gas != Chlorine {
			continue
		}
		air.ChlorineDilution = combine(dilutionAirflow(g.Worst.Value, chlorineCeiling), "all current to chlorine, held at 0.5 ppm (NIOSH ceiling)", g.Worst)
		air.ChlorineTime, air.ChlorineSteady = a.buildUp(g.Worst, chlorineCeiling)
		if c.RoomVolume.Known() && g.Most.Value < chlorineCeiling*c.RoomVolume.Value {
			air.ChlorineTime.Value, air.ChlorineTime.StandardUncertainty = math.Inf(1), 0
		}
	}
}

// buildUp returns the time to limit in the stated room and the fraction that the
// stated airflow settles to; zero Figures for what was not stated.
func (a *Assessment) buildUp(rate matter.Figure, limit float64) (time, steady matter.Figure) {
	c := a.Conditions
	const mixed = "mixed room, efficiency zero; richer above the cell"
	if c.RoomVolume.Known() {
		time = combine(timeToFraction(rate.Value, c.RoomVolume.Value, c.Airflow.Value, limit), mixed, rate, c.RoomVolume, c.Airflow)
		time.Mark = matter.Assumed // that the room is mixed
		if math.IsInf(time.Value, 1) {
			time.StandardUncertainty = 0
		}
	}
	if c.Airflow.Known() {
		steady = combine(steadyFraction(rate.Value, c.Airflow.Value), mixed, rate, c.Airflow)
		steady.Mark = matter.Assumed
	}
	return time, steady
}
