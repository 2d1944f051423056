package electrolysis

import (
	"math"

	"nightcell/integrate/matter"
)

// Heat is the warmth of the run.
type Heat struct {
	Thermoneutral matter.Figure // V
	Power         matter.Figure // W into the bath at the expected or measured voltage
	AdiabaticRate matter.Figure // K/s without loss
	Steady        matter.Figure // K that the bath settles to in the room
	Boils         bool          // Steady would lie above 100 °C
	TimeConstant  matter.Figure // s
	Heater        matter.Figure // W to hold the stated temperature above what the bath settles to; not Known where none is needed
	Gain          matter.Figure // factor by which the current would grow under constant voltage; +Inf if it runs away
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
				volts.Value -= part.Best
			}
		}
	}
	power := math.Max(0, HeatPower(c.Current.Value, volts.Value, h.Thermoneutral.Value))
	h.Power = matter.Figure{
		Value: power, StandardUncertainty: c.Current.Value * math.Hypot(volts.StandardUncertainty, h.Thermoneutral.StandardUncertainty),
		Mark: matter.Weakest(volts.Mark, h.Thermoneutral.Mark, c.Current.Mark), Source: "current × (cell voltage − thermoneutral voltage)",
	}
	volume := c.Volume.Value + c.Anolyte.Value
	h.AdiabaticRate = combine(AdiabaticRate(power, volume), "heat capacity of water", h.Power, c.Volume)
	vessel := Vessel{Volume: volume, OpenArea: c.OpenArea.Value}
	ambient := c.Ambient.Value
	steady, boils := vessel.SteadyTemperature(power, ambient)
	rise := steady - ambient
	h.Boils = boils
	h.Steady = matter.Figure{Value: steady, StandardUncertainty: 0.3 * rise, Mark: matter.Assumed,
		Source: "bare vessel in still air, 10 W/(m²·K), and evaporation; ±30 % of the rise"}
	h.TimeConstant = matter.Figure{Value: vessel.TimeConstant(steady, ambient), StandardUncertainty: 0.3 * vessel.TimeConstant(steady, ambient),
		Mark: matter.Assumed, Source: "as the steady temperature"}
	if t := c.Temperature; t.Mark != matter.Assumed && !boils && t.Value > steady {
		watts := vessel.HeatLoss(t.Value, ambient) - power
		h.Heater = matter.Figure{Value: watts, StandardUncertainty: math.Hypot(heatLossDoubt*(watts+power), h.Power.StandardUncertainty), Mark: matter.Assumed,
			Source: "loss of a bare vessel at the stated temperature, 10 W/(m²·K) and evaporation, less the cell's own heat"}
	}
	gain, runs := ConstantVoltageGain(rise)
	h.RunsAway = runs || boils
	h.Gain = matter.Figure{Value: gain, Mark: matter.Assumed, Source: "conductivity +2 % per kelvin (common practice)"}
}

// thermoneutral returns the voltage, whose table holds simple ions and not complexes.
func (a *Assessment) thermoneutral(gas Gas) matter.Figure {
	c := a.Conditions
	if c.SolubleAnode {
		return matter.Figure{Value: 0, StandardUncertainty: 0.05, Mark: matter.Assumed, Source: "metal dissolves and plates: all voltage becomes heat"}
	}
	volts, known := ThermoneutralVoltage(c.Metal.Element.Symbol, a.Couple.Valence, gas, c.Efficiency.Value)
	if !known || a.Couple.Ligands > 0 {
		volts, _ = ThermoneutralVoltage("", 0, gas, 0)
		return matter.Figure{Value: volts, StandardUncertainty: 0.5, Mark: matter.Assumed, Source: "no enthalpy tabled for this ion: as for splitting water or hydrochloric acid"}
	}
	return matter.Figure{Value: volts, StandardUncertainty: 0.03, Mark: matter.Assumed, Source: "enthalpies of formation, NBS tables from memory"}
}

func (a *Assessment) energy() {
	c, e, volts := a.Conditions, &a.Energy, a.volts()
	e.Total = skewed(combine(Energy(volts.Value, c.Charge.Value), "mean voltage × charge", volts, c.Charge), c.Charge, 1)
	weight := c.Metal.Element.Weight
	e.Specific = skewed(combine(SpecificEnergy(volts.Value, c.Efficiency.Value, a.Couple.Valence, weight.Value),
		"voltage × n·F/(M·efficiency)", volts, c.Efficiency, weight), c.Efficiency, -1)
	e.Specific.Mark = matter.Weakest(volts.Mark, c.Efficiency.Mark) // an atomic weight makes nothing published of what was typed
	if c.Price.Known() {
		e.Cost = skewed(combine(Cost(e.Total.Value, c.Price.Value), "at the cell; the supply takes 10 to 40 % more from the mains", e.Total, c.Price), e.Total, 1)
	}
}

// leadDrop is what the leads may lose there and back, V. Common practice, no source.
const leadDrop = 0.25

// leads leaves the zero Lead where none is thick enough; a caution says so.
func (a *Assessment) leads() {
	c := a.Conditions
	a.Clip = ClipFor(c.Current.Value)
	a.Lead, _ = LeadFor(c.Current.Value, c.LeadLength.Value, leadDrop)
}
