package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

const (
	// volumetricHeat is the heat capacity of the bath in J/(m³·K), assumed to be that of water;
	// concentrated salt baths lie 0 to 10 % lower.
	volumetricHeat = 4.18e6
	// wallLoss is the loss through a bare vessel's wall in W/(m²·K) by free convection and
	// radiation. Assumed; 6 to 12 is usual.
	wallLoss = 10.0
	// latentHeat is the heat that a cubic metre of water takes when it evaporates near 40 °C, J/m³.
	latentHeat = 2.40e9
	// conductivityRise is the rise of a bath's conductivity per kelvin, relative. Common practice: 2 %.
	conductivityRise = 0.02
)

// boiling is where the search for a steady temperature ends, K.
const boiling = 373.15

// heatPower returns the watts that warm the bath: current·(volts − thermoneutral),
// volts measured at the cell and not at the supply. Negative: the cell cools.
func heatPower(current, volts, thermoneutral float64) float64 {
	return current * (volts - thermoneutral)
}

// adiabaticRate returns the rise in K/s of volume m³ of bath at power watts with no loss.
func adiabaticRate(power, volume float64) float64 { return power / (volumetricHeat * volume) }

// vessel is what the heat gets out of.
type vessel struct {
	Volume   float64 // m³ of bath
	OpenArea float64 // m² of open surface; 0: covered
}

// HeatLoss returns the watts that the vessel loses at temperature kelvin in a room at
// ambient kelvin: wallLoss on wall and open surface, and evaporation by the
// practitioner's fit for a still tank, above what the bath would evaporate at ambient.
func (v vessel) HeatLoss(temperature, ambient float64) float64 {
	width := math.Cbrt(4 * v.Volume / math.Pi) // of an upright cylinder as high as it is wide
	wall := 1.25 * math.Pi * width * width     // wetted: side and bottom
	dry := wallLoss * (wall + v.OpenArea) * (temperature - ambient)
	hot, _ := evaporationAt(temperature)
	cool, _ := evaporationAt(ambient)
	return dry + latentHeat*v.OpenArea*(hot-cool)
}

// SteadyTemperature returns the kelvin at which the vessel in a room at ambient kelvin
// loses power watts. boils is true if that lies above 100 °C; the temperature is then
// 373.15. No lag, no heating or cooling coil.
func (v vessel) SteadyTemperature(power, ambient float64) (temperature float64, boils bool) {
	if v.HeatLoss(boiling, ambient) <= power {
		return boiling, true
	}
	low, high := ambient, boiling
	for high-low > 1e-6 {
		if middle := (low + high) / 2; v.HeatLoss(middle, ambient) < power {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2, false
}

// TimeConstant returns the seconds in which the bath covers 63 % of the way to its
// steady temperature, from the loss near that temperature: C·ΔT/loss.
func (v vessel) TimeConstant(temperature, ambient float64) float64 {
	if !(temperature > ambient) {
		temperature = ambient + 1
	}
	return volumetricHeat * v.Volume * (temperature - ambient) / v.HeatLoss(temperature, ambient)
}

// constantVoltageGain returns by what factor the current of a cell held at
// constant voltage ends above its starting current, when that starting current alone would
// warm the bath by rise kelvin: 1/(1 − 0.02·rise), since conductivity grows by
// about 2 % per kelvin and the heat with the current. runsAway is true from 50 K on,
// where the current finds no end but the supply's limit.
func constantVoltageGain(rise float64) (gain float64, runsAway bool) {
	if left := 1 - conductivityRise*rise; left > 0 {
		return 1 / left, false
	}
	return math.Inf(1), true
}

// Enthalpies in J per mol of electrons that the anode reactions take up, from those
// of liquid water (−285.83 kJ/mol) and of dissolved chloride (−167.16 kJ/mol) at 25 °C (NBS tables, from memory).
const (
	oxygenEnthalpy   = 285.83e3 / 2
	chlorineEnthalpy = 167.16e3
)

// thermoneutralVoltage returns the voltage in volts at which the cell would neither
// warm nor cool: the enthalpy of the reactions per coulomb. The metal of the couple takes the
// share efficiency (0 to 1) of the current, hydrogen the rest; anode is the gas of
// the main anode reaction. For a couple whose ion has no enthalpy in the table of metals
// it is the voltage of splitting water, 1.48 V, or hydrochloric acid, 1.73 V.
func thermoneutralVoltage(couple matter.Couple, anode Gas, efficiency float64) float64 {
	atAnode := oxygenEnthalpy
	if anode == Chlorine {
		atAnode = chlorineEnthalpy
	}
	if ion := couple.Enthalpy; ion.Known() {
		atAnode -= efficiency * ion.Value / float64(couple.Valence)
	}
	return atAnode / matter.Faraday
}

// joulesPerKilowattHour converts the trade's unit of energy.
const joulesPerKilowattHour = 3.6e6

// specificEnergy returns the J/kg that a metal of molarMass kg/mol and valence costs at
// mean cell volts and current efficiency (above 0 to 1): volts·n·F/(M·efficiency).
func specificEnergy(volts, efficiency float64, valence int, molarMass float64) float64 {
	return volts * float64(valence) * matter.Faraday / (molarMass * efficiency)
}

// energyOf returns the joules of charge coulombs at mean volts.
func energyOf(volts, charge float64) float64 { return volts * charge }

// costOf returns the price of energy joules at pricePerKilowattHour, in that price's money.
func costOf(energy, pricePerKilowattHour float64) float64 {
	return energy / joulesPerKilowattHour * pricePerKilowattHour
}

// Heat is the warmth of the run.
type Heat struct {
	Thermoneutral matter.Figure // V
	Power         matter.Figure // W into the bath at the expected or measured voltage
	AdiabaticRate matter.Figure // K/s without loss
	Steady        matter.Figure // K that the bath settles to in the room
	Boils         bool          // Steady would lie above 100 °C
	riseDoubt     float64       // K, standard, of how far Steady lies above the room
	TimeConstant  matter.Figure // s
	Heater        matter.Figure // W to hold the stated temperature above what the bath settles to; not Known where none is needed
	Gain          matter.Figure // factor by which the current would grow under constant voltage; +Inf if it runs away
	Held          Held          // of a supply that holds the voltage
	RunsAway      bool          // under constant voltage
}

// heatLossDoubt is how well the loss of a vessel is known, relative; common practice, no source.
const heatLossDoubt = 0.3

// EnergyUse is the electricity of the run.
type EnergyUse struct {
	Total    matter.Figure // J out of the supply
	Specific matter.Figure // J per kg of metal
	Cost     matter.Figure // money; known with a price
}

func (a *Assessment) heat() {
	c, h := a.Conditions, &a.Heat
	gas := NoGas
	if !c.SolubleAnode {
		gas = a.Anode[0].Gas
	}
	volts := a.volts()
	h.Thermoneutral = a.thermoneutral(gas)
	if !c.CellVolts.Known() { // the band is that at the supply, and the leads do not warm the bath
		for _, part := range a.Parts {
			if part.Name == leadsPart {
				volts.Value -= part.Value
			}
		}
	}
	power := math.Max(0, heatPower(c.Current.Value, volts.Value, h.Thermoneutral.Value))
	h.Power = matter.Figure{
		Value: power, StandardUncertainty: c.Current.Value * math.Hypot(volts.StandardUncertainty, h.Thermoneutral.StandardUncertainty),
		Mark: matter.Weakest(volts.Mark, h.Thermoneutral.Mark, c.Current.Mark), Source: "current × (cell voltage − thermoneutral voltage)",
	}
	volume := c.Volume.Value + c.Anolyte.Value
	h.AdiabaticRate = combine(adiabaticRate(power, volume), "heat capacity of water", h.Power, c.Volume)
	vessel := vessel{Volume: volume, OpenArea: c.OpenArea.Value}
	ambient := c.Ambient.Value
	steady, boils := vessel.SteadyTemperature(power, ambient)
	rise := steady - ambient
	h.Boils = boils
	warmer, _ := vessel.SteadyTemperature(power+h.Power.StandardUncertainty, ambient)
	h.riseDoubt = math.Hypot(heatLossDoubt*rise, warmer-steady)
	h.Steady = matter.Figure{Value: steady, StandardUncertainty: math.Hypot(c.Ambient.StandardUncertainty, h.riseDoubt), Mark: matter.Assumed,
		Source: "bare vessel in still air, 10 W/(m²·K), and evaporation; ±30 % of the rise, besides room and heat"}
	h.TimeConstant = matter.Figure{Value: vessel.TimeConstant(steady, ambient), StandardUncertainty: heatLossDoubt * vessel.TimeConstant(steady, ambient),
		Mark: matter.Assumed, Source: "as the steady temperature"}
	if t := c.Temperature; t.Mark != matter.Assumed && !boils && t.Value > steady {
		watts := vessel.HeatLoss(t.Value, ambient) - power
		h.Heater = matter.Figure{Value: watts, StandardUncertainty: math.Hypot(heatLossDoubt*(watts+power), h.Power.StandardUncertainty), Mark: matter.Assumed,
			Source: "loss of a bare vessel at the stated temperature, 10 W/(m²·K) and evaporation, less the cell's own heat"}
	}
	gain, runs := constantVoltageGain(rise)
	h.RunsAway = runs || boils
	if c.HoldsVolts {
		a.held()
	}
	h.Gain = matter.Figure{Value: gain, Mark: matter.Assumed, Source: "conductivity +2 % per kelvin (common practice)"}
}

// thermoneutral returns the voltage, whose table holds simple ions and not complexes.
func (a *Assessment) thermoneutral(gas Gas) matter.Figure {
	c := a.Conditions
	if c.SolubleAnode {
		return matter.Figure{Value: 0, StandardUncertainty: 0.05, Mark: matter.Assumed, Source: "metal dissolves and plates: all voltage becomes heat"}
	}
	f := matter.Figure{Value: thermoneutralVoltage(a.Couple, gas, c.Efficiency.Value), StandardUncertainty: 0.03, Mark: matter.Assumed, Source: "enthalpies of formation, NBS tables from memory"}
	if !a.Couple.Enthalpy.Known() {
		f.StandardUncertainty, f.Source = 0.5, "no enthalpy tabled for this ion: as for splitting water or hydrochloric acid"
	}
	return f
}

func (a *Assessment) energy() {
	c, e, volts := a.Conditions, &a.Energy, a.volts()
	e.Total = skewed(combine(energyOf(volts.Value, c.Charge.Value), "mean voltage × charge", volts, c.Charge), c.Charge, 1)
	weight := c.Metal.Element.Weight
	e.Specific = skewed(combine(specificEnergy(volts.Value, c.Efficiency.Value, a.Couple.Valence, weight.Value),
		"voltage × n·F/(M·efficiency)", volts, c.Efficiency, weight), c.Efficiency, -1)
	e.Specific.Mark = matter.Weakest(volts.Mark, c.Efficiency.Mark) // an atomic weight makes nothing published of what was typed
	if c.Price.Known() {
		e.Cost = skewed(combine(costOf(e.Total.Value, c.Price.Value), "at the cell; the supply takes 10 to 40 % more from the mains", e.Total, c.Price), e.Total, 1)
	}
}

// leadDrop is what the leads may lose there and back, V. Common practice, no source.
const leadDrop = 0.25
