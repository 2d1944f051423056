package electrolysis

import (
	"fmt"
	"math"

	"nightcell/integrate/matter"
)

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

// AcidLoad is the acid and base of the run, in mol; positive is a gain. The
// catholyte figures count OH⁻, so that a negative one is acid gained.
type AcidLoad struct {
	Anolyte        Band          // mol H⁺ in a divided cell
	Catholyte      Band          // mol OH⁻ in a divided cell
	Bath           matter.Figure // mol H⁺ over both sides, or in the undivided bath
	CatholyteWorst matter.Figure // mol OH⁻ if no metal plates and no acid crosses
	AnolyteMass    Band          // kg of acid
	CatholyteMass  Band          // kg of sodium hydroxide
	BathMass       matter.Figure // kg of acid
}

// Water is the water that goes, in kg.
type Water struct {
	Split       matter.Figure
	Evaporated  Band          // by two sources; Low and High are theirs
	LevelFall   Band          // m of level over the run by both together
	Evaporation Evaporation   // the rates of the two sources
	TopUp       matter.Figure // kg to have at hand: split and the larger of the two sources
}

func (a *Assessment) gases() {
	c := a.Conditions
	ambient := c.Ambient.Value
	load := func(gas Gas, share float64, possible bool) GasLoad {
		source := fmt.Sprintf("Faraday and ideal gas, dry, %.0f °C, 1 atm", ambient-matter.ZeroCelsius)
		flow := func(amount, part float64, parts ...matter.Figure) matter.Figure {
			return combine(part*gas.GasVolume(amount, ambient, matter.Atmosphere), source, parts...)
		}
		return GasLoad{
			Gas: gas, Possible: possible,
			Rate: flow(c.Current.Value, share, c.Current, c.Efficiency), Worst: flow(c.Current.Value, 1, c.Current),
			Total: flow(c.Charge.Value, share, c.Charge, c.Efficiency), Most: skewed(flow(c.Charge.Value, 1, c.Charge), c.Charge, 1),
		}
	}
	hydrogen := load(Hydrogen, 1-c.Efficiency.Value, false)
	hydrogen.Rate.StandardUncertainty = Hydrogen.GasVolume(c.Current.Value*c.Efficiency.StandardUncertainty, ambient, matter.Atmosphere)
	hydrogen.Total.StandardUncertainty = Hydrogen.GasVolume(c.Charge.Value*c.Efficiency.StandardUncertainty, ambient, matter.Atmosphere)
	if e, all := c.Efficiency, hydrogen.Most; e.Skewed() {
		hydrogen.Rate.Low, hydrogen.Rate.High = hydrogen.Worst.Value*(1-e.High), hydrogen.Worst.Value*(1-e.Low)
		hydrogen.Total.Low, hydrogen.Total.High = all.Low*(1-e.High), all.High*(1-e.Low)
	}
	a.Gas = []GasLoad{hydrogen}
	for _, r := range a.Anode {
		switch {
		case r.Gas == NoGas:
		case r.Expected:
			g := load(r.Gas, 1, false)
			g.Rate, g.Total = g.Worst, g.Most
			a.Gas = append(a.Gas, g)
		default:
			a.Gas = append(a.Gas, load(r.Gas, 0, true))
		}
	}
	for i := range a.Gas {
		if a.Gas[i].Gas == Chlorine && c.Chloride.Known() {
			a.Gas[i].Most = a.withinStock(a.Gas[i].Most)
		}
	}
}

// withinStock returns most, or what all the known chloride of the cell makes if that is less.
func (a *Assessment) withinStock(most matter.Figure) matter.Figure {
	c := a.Conditions
	volume := c.Volume
	if c.Separator != NoSeparator { // what stands behind the separator may cross it
		volume.Value += c.Anolyte.Value
		volume.StandardUncertainty = math.Hypot(volume.StandardUncertainty, c.Anolyte.StandardUncertainty)
		volume.Mark = matter.Weakest(volume.Mark, c.Anolyte.Mark)
	}
	stock := c.Chloride.Value * volume.Value / 2 * matter.MolarVolume(c.Ambient.Value, matter.Atmosphere)
	if stock >= most.Value {
		return most
	}
	return combine(stock, "all the chloride in the cell", c.Chloride, volume)
}

func (a *Assessment) air() {
	c, air := a.Conditions, &a.Air
	hydrogen := a.Gas[0].Worst
	const standard = "EN 50272-3 and IEC 62485 as quoted: 0.05 m³/h per ampere and cell"
	air.BatteryRoom = combine(BatteryRoomAirflow(c.Current.Value), standard, c.Current)
	air.QuarterFlammable = combine(DilutionAirflow(hydrogen.Value, HydrogenQuarter), "all current to hydrogen, held at 1 %", hydrogen)
	air.Needed = air.BatteryRoom
	if air.QuarterFlammable.Value > air.Needed.Value {
		air.Needed = air.QuarterFlammable
	}
	air.Opening = combine(VentOpening(air.Needed.Value), "EN 50272-3 as quoted: 28 cm² per m³/h", air.Needed)
	air.HydrogenTime, air.HydrogenSteady = a.buildUp(hydrogen, HydrogenQuarter)
	if c.RoomVolume.Known() {
		air.HydrogenAtEnd = combine(FractionAfter(hydrogen.Value, c.RoomVolume.Value, c.Airflow.Value, a.Duration.Value),
			"mixed room, efficiency zero", hydrogen, c.RoomVolume, c.Airflow, a.Duration)
	}
	for _, g := range a.Gas {
		if g.Gas != Chlorine {
			continue
		}
		air.ChlorineDilution = combine(DilutionAirflow(g.Worst.Value, ChlorineCeiling), "all current to chlorine, held at 0.5 ppm (NIOSH ceiling)", g.Worst)
		air.ChlorineTime, air.ChlorineSteady = a.buildUp(g.Worst, ChlorineCeiling)
		if c.RoomVolume.Known() && g.Most.Value < ChlorineCeiling*c.RoomVolume.Value {
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
		time = combine(TimeToFraction(rate.Value, c.RoomVolume.Value, c.Airflow.Value, limit), mixed, rate, c.RoomVolume, c.Airflow)
		time.Mark = matter.Assumed // that the room is mixed
		if math.IsInf(time.Value, 1) {
			time.StandardUncertainty = 0
		}
	}
	if c.Airflow.Known() {
		steady = combine(SteadyFraction(rate.Value, c.Airflow.Value), mixed, rate, c.Airflow)
		steady.Mark = matter.Assumed
	}
	return time, steady
}

// acidShift is a relative change of the efficiency that keeps it within 0 and 1.
const acidShift = 1e-3

func (a *Assessment) acid() {
	c, load := a.Conditions, &a.Acid
	perElectron := a.acidPerElectron()
	made := func(crossing float64) AcidBase {
		return AcidMade(AcidConditions{c.Charge.Value, c.Efficiency.Value, a.Couple, perElectron, crossing})
	}
	whole := made(0)
	load.Bath = combine(whole.Bath, "acid of the anode less base of the cathode", c.Charge, c.Efficiency)
	// The efficiency may enter as itself or as what it leaves to hydrogen, so its doubt is taken by a shift.
	shifted := AcidMade(AcidConditions{c.Charge.Value, c.Efficiency.Value * (1 - acidShift), a.Couple, perElectron, 0})
	load.Bath.StandardUncertainty = math.Hypot(whole.Bath*c.Charge.Relative(), (whole.Bath-shifted.Bath)/acidShift*c.Efficiency.Relative())
	load.BathMass = combine(AcidMass(whole.Bath, c.Medium), "as the medium's acid", load.Bath)
	load.CatholyteWorst = combine(whole.CatholyteWorst, "no metal plates, no acid crosses", c.Charge)
	if c.Separator == NoSeparator {
		return
	}
	crossing := a.crossing(perElectron)
	few, usual, many := made(crossing.Low), made(crossing.Best), made(crossing.High)
	mark := matter.Weakest(crossing.Mark, c.Charge.Mark, c.Efficiency.Mark)
	load.Anolyte = Band{many.Anolyte, usual.Anolyte, few.Anolyte, mark, crossing.Source}
	load.Catholyte = Band{many.Catholyte, usual.Catholyte, few.Catholyte, mark, crossing.Source}
	load.AnolyteMass = load.Anolyte.scaled(AcidMass(1, c.AnolyteMedium))
	load.CatholyteMass = load.Catholyte.scaled(CausticMass(1))
}

// crossing returns the share of the current that H⁺ carries over the separator: no more than the
// anode makes per electron and the anolyte holds. Before a chlorine anode hardly any acid is there to cross.
func (a *Assessment) crossing(madePerElectron float64) Band {
	c := a.Conditions
	held := math.Max(standardConcentration*math.Pow(10, -c.AnolytePH.Value), c.FreeAcid.Value) * c.Anolyte.Value
	most := madePerElectron + held*matter.Faraday/c.Charge.Value
	b := c.Separator.AcidCrossing()
	if most < b.High {
		b.Low, b.Best, b.High = 0, math.Min(b.Best, most/2), most
		b.Source += "; no more than the anolyte holds and the anode makes"
	}
	return b
}

// waterDensity turns m³ of water into kg.
const waterDensity = 998.0

func (a *Assessment) water() {
	c, w := a.Conditions, &a.Water
	perElectron := 0.0
	if !c.SolubleAnode {
		perElectron = a.Anode[0].WaterPerElectron
	}
	w.Split = combine(WaterSplit(c.Charge.Value, perElectron), "Faraday", c.Charge)
	w.Evaporation = EvaporationAt(c.Temperature.Value, false)
	seconds, open := a.Duration.Value, c.OpenArea.Value
	fit, report := w.Evaporation.Practitioner*seconds, w.Evaporation.Report*seconds // m of level
	fall := Band{math.Min(fit, report), math.Sqrt(fit * report), math.Max(fit, report), matter.Assumed,
		fmt.Sprintf("two sources that differ by a factor of %.1f, still air", w.Evaporation.Disagreement())}
	w.Evaporated = fall.scaled(open * waterDensity)
	w.LevelFall = fall
	if open > 0 {
		w.LevelFall = fall.shifted(w.Split.Value / (waterDensity * open))
	}
	w.TopUp = matter.Figure{Value: w.Split.Value + w.Evaporated.High, StandardUncertainty: (w.Evaporated.High - w.Evaporated.Low) / 2, Mark: matter.Assumed, Source: "split, and the larger of the two sources"}
}
