package electrolysis

import (
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// A thermoneutral voltage must agree with the electrode potentials through the
// Gibbs-Helmholtz relation, E_tn = E − T·dE/dT, with the published 1.481 V of water and with textbook
// calorimetry.
func TestThermoneutral(t *testing.T) {
	water := thermoneutralVoltage(matter.Couple{}, Oxygen, 0)
	near(t, "water, 1.481 V (286 kJ/mol, any textbook)", water, 1.481, 0.001)
	near(t, "water by Gibbs-Helmholtz from the oxygen electrode", water,
		oxygenStandard-matter.RoomTemperature*oxygenSlope, 0.002)
	acid := thermoneutralVoltage(matter.Couple{}, Chlorine, 0)
	near(t, "hydrochloric acid by Gibbs-Helmholtz from the chlorine electrode", acid,
		chlorineStandard-matter.RoomTemperature*chlorineSlope, 0.005)
	// The Daniell reaction Zn + Cu2+ gives off about 217 to 219 kJ/mol (textbooks, from memory).
	coupleOf := func(symbol string) matter.Couple {
		metal, err := matter.LookUp(symbol)
		couple, wrong := metal.Couple(matter.Sulfate, 0)
		if err != nil || wrong != nil || !couple.Enthalpy.Known() {
			t.Fatal(symbol, err, wrong)
		}
		return couple
	}
	zinc := thermoneutralVoltage(coupleOf("Zn"), Oxygen, 1)
	copper := thermoneutralVoltage(coupleOf("Cu"), Oxygen, 1)
	near(t, "Daniell reaction, kJ/mol", 2*matter.Faraday*(zinc-copper)/1e3, 218, 2)
	half := thermoneutralVoltage(coupleOf("Zn"), Oxygen, 0.5)
	near(t, "half metal, half hydrogen", half, (zinc+water)/2, 1e-12)
	// Entropies are small beside that of water, 0.25 V: each metal lies within 0.47 V of its reversible voltage
	// (palladium, whose potential is published and its enthalpy from memory, is the farthest).
	for _, metal := range matter.Metals() {
		couple, err := metal.Couple(matter.Sulfate, 0)
		if err != nil {
			t.Fatal(err)
		}
		volts, known := thermoneutralVoltage(couple, Oxygen, 1), couple.Enthalpy.Known()
		if reversible := oxygenStandard - couple.Potential.Value; known && math.Abs(volts-reversible) > 0.47 {
			t.Errorf("%s: thermoneutral %.3f V, reversible %.3f V", metal, volts, reversible)
		}
	}
	copperI, err := matter.LookUp("Cu")
	if couple, wrong := copperI.Couple(matter.Cyanide, 1); err != nil || wrong != nil || thermoneutralVoltage(couple, Oxygen, 1) != water {
		t.Error("copper(I) is not tabled")
	}
}

// Hand arithmetic with water's heat capacity: 10 A at 4 V over 1.5 V in 2 L.
func TestHeatOfABeaker(t *testing.T) {
	near(t, "25 W", heatPower(10, 4, 1.5), 25, 1e-12)
	near(t, "up to 11 K/h", 3600*adiabaticRate(25, 2e-3), 11, 0.3)
	vessel := vessel{Volume: 2e-3, OpenArea: 0.0147}
	steady, boils := vessel.SteadyTemperature(15, 293.15)
	if boils {
		t.Error("15 W do not boil 2 L")
	}
	// Common practice, no source: a 2 L beaker has a time constant of 1 to 2 h or a little more.
	near(t, "time constant of a 2 L beaker, h", vessel.TimeConstant(steady, 293.15)/3600, 1.7, 0.7)
	if _, boils := vessel.SteadyTemperature(2000, 293.15); !boils {
		t.Error("2 kW boil 2 L")
	}
}

// The steady state against stepping C·dT/dt = power − loss by the midpoint rule, written here.
func TestSteadyTemperatureAgainstStepping(t *testing.T) {
	vessel := vessel{Volume: 0.9e-3, OpenArea: 0.009}
	const power, ambient, step = 9.0, 293.15, 10.0
	capacity := volumetricHeat * vessel.Volume
	slope := func(temperature float64) float64 { return (power - vessel.HeatLoss(temperature, ambient)) / capacity }
	temperature := ambient
	for range 20000 { // 55 h
		temperature += step * slope(temperature+step/2*slope(temperature))
	}
	steady, _ := vessel.SteadyTemperature(power, ambient)
	near(t, "steady temperature", steady, temperature, 1e-4)
}

// The gain of a cell at constant voltage against iterating current and warmth until both
// settle: rise = rise0·I/I0, I/I0 = 1 + 0.02·rise.
func TestConstantVoltage(t *testing.T) {
	for _, rise := range []float64{0, 5, 10, 20, 40} {
		current := 1.0
		for range 3000 {
			current = 1 + conductivityRise*rise*current
		}
		gain, runs := constantVoltageGain(rise)
		near(t, "gain by iteration", gain, current, 1e-9)
		if runs {
			t.Errorf("%v K do not run away", rise)
		}
	}
	for rise, want := range map[float64]float64{10: 1.25, 20: 1.67, 40: 5} {
		gain, _ := constantVoltageGain(rise)
		near(t, "trade figure", gain, want, 0.005)
	}
	if gain, runs := constantVoltageGain(50); !runs || !math.IsInf(gain, 1) {
		t.Error("50 K run away")
	}
}

func TestHeatProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vessel := vessel{Volume: rapid.Float64Range(1e-4, 0.1).Draw(t, "volume"), OpenArea: rapid.Float64Range(0, 0.2).Draw(t, "open")}
		ambient := rapid.Float64Range(280, 310).Draw(t, "ambient")
		power := rapid.Float64Range(0, 200).Draw(t, "power")
		steady, boils := vessel.SteadyTemperature(power, ambient)
		if steady < ambient || steady > boiling {
			t.Fatalf("steady temperature %v", steady)
		}
		if loss := vessel.HeatLoss(steady, ambient); !boils && math.Abs(loss-power) > 1e-3*(1+power) {
			t.Fatalf("loss %v W at the steady temperature, power %v W", loss, power)
		}
		hotter, _ := vessel.SteadyTemperature(power*1.1+0.1, ambient)
		if hotter < steady {
			t.Fatal("more power must not cool")
		}
		vessel.OpenArea += 0.01
		if cooler, _ := vessel.SteadyTemperature(power, ambient); cooler > steady+1e-5 {
			t.Fatal("more surface must not warm")
		}
	})
}

// Losses of 100 cm² of open beaker in 12 h by the practitioner's still fit, and the two
// printed points of the EPA report as Products Finishing quotes it: 0.69 and 12.2 L/h·m².
func TestEvaporation(t *testing.T) {
	for celsius, millilitres := range map[float64]float64{25: 44, 40: 106, 60: 340} {
		rate, _ := evaporationAt(celsius + 273.15)
		near(t, "mL from 100 cm² in 12 h", rate*0.01*12*3600*1e6, millilitres, 0.015*millilitres)
	}
	for celsius, want := range map[float64]float64{27: 0.69, 82: 12.2} {
		_, report := evaporationAt(celsius + 273.15)
		near(t, "EPA 625/8-82-008, L/h·m²", report*3.6e6, want, 0.03*want)
	}
	for celsius, millimetres := range map[float64]float64{60: 2.8, 40: 0.9, 25: 0.4} {
		fit, _ := evaporationAt(celsius + 273.15)
		near(t, "level fall in mm/h by the practitioner's fit", fit*3.6e6, millimetres, 0.05)
	}
	fit, report := evaporationAt(298.15)
	if d := math.Max(fit, report) / math.Min(fit, report); d < 1.4 || d > 2.2 {
		t.Errorf("the sources disagree by %v near room temperature, want about 2", d)
	}
}

// copperMass is in kg/mol, CIAAW 2021.
const copperMass = 63.546e-3

// Printed answers that follow from printed volts and efficiency. A voltage that is worked back from an energy, or an energy
// that nobody prints, would check nothing.
func TestPublishedEnergies(t *testing.T) {
	kilowattHours := func(volts, efficiency, mass float64) float64 {
		return specificEnergy(volts, efficiency, 2, mass) / joulesPerKilowattHour
	}
	near(t, "Aalto CHEM-E6180, exercise 6: 2.2 V and 1.89 kWh/kg copper, printed about 98 %",
		kilowattHours(2.2, 1, copperMass)/1.89, 0.98, 0.005) // outside: aalto exercise 6
	near(t, "Aalto CHEM-E6180, task 4: about 2.3 V at 95 %, printed about 2 kWh/kg", kilowattHours(2.3, 0.95, copperMass), 2, 0.1) // outside: aalto task 4
	// 45 000 t/y over 112 cells of sheets of 1.2 m² on both sides at
	// 300 A/m² and 90 %: printed N = 59.71. At one volt the specific energy is the charge per kg.
	const year = 365 * 24 * 3600.0
	perCell := specificEnergy(1, 0.90, 2, copperMass) * 45e6 / year / 112                                                   // A
	near(t, "BCcampus Hydrometallurgy, chapter VII quiz: sheets per cell, printed 59.71", perCell/(300*2*1.2), 59.71, 0.01) // outside: bccampus chapter VII
}

func TestEnergyProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		volts := rapid.Float64Range(0.1, 20).Draw(t, "volts")
		efficiency := rapid.Float64Range(0.01, 1).Draw(t, "efficiency")
		valence := rapid.IntRange(1, 6).Draw(t, "valence")
		mass := rapid.Float64Range(5e-3, 0.25).Draw(t, "molar mass")
		specific := specificEnergy(volts, efficiency, valence, mass)
		charge := rapid.Float64Range(1, 1e7).Draw(t, "charge")
		won := efficiency * charge / (float64(valence) * matter.Faraday) * mass
		if math.Abs(energyOf(volts, charge)/won/specific-1) > 1e-12 {
			t.Fatal("energy over mass must be the specific energy")
		}
	})
	near(t, "cost of 2.5 kWh at 0.30", costOf(2.5*joulesPerKilowattHour, 0.30), 0.75, 1e-12)
}

// TestSkewedFollowers: the energy per kilogram goes with the reciprocal of the efficiency, so that its limits change sides.
func TestSkewedFollowers(t *testing.T) {
	efficiency := matter.Figure{Value: 0.6, Low: 0.4, High: 0.9, Mark: matter.Assumed}
	got := skewed(matter.Figure{Value: 3}, efficiency, -1)
	near(t, "lowest", got.Low, 2, 1e-12)
	near(t, "highest", got.High, 4.5, 1e-12)
	if b := limited(efficiency); b.Low != 0.4 || b.High != 0.9 {
		t.Errorf("%+v", b)
	}
	wider := skewed(matter.Figure{Value: 3, StandardUncertainty: 0.75}, efficiency, -1) // another doubt of 25 %: ±1.5
	near(t, "highest, with another doubt", wider.High, 3+1.5*math.Sqrt2, 1e-12)
	if f := skewed(matter.Figure{Value: 3}, matter.Figure{Value: 0.6, StandardUncertainty: 0.1}, -1); f.Skewed() {
		t.Errorf("limits from nowhere: %+v", f)
	}
}

// TestDoubtOfTheSteadyTemperature: a bath that hardly warms itself is as warm as the room, and that is known to ± 3 K (standard) where nobody
// stated it; the doubt of the heat adds what so many watts more would warm it.
func TestDoubtOfTheSteadyTemperature(t *testing.T) {
	c := zincCell(t)
	c.Ambient = matter.Figure{}
	c.Current = matter.GivenFigure(0.01, 0)
	a := assessed(t, c)
	near(t, "K, of the room alone", a.Heat.Steady.StandardUncertainty, 3, 0.05)
	c.Ambient = matter.GivenFigure(293.15, 0)
	c.Current = matter.GivenFigure(3, 0)
	a = assessed(t, c)
	bath := vessel{Volume: a.Conditions.Volume.Value + a.Conditions.Anolyte.Value, OpenArea: a.Conditions.OpenArea.Value}
	warmer, _ := bath.SteadyTemperature(a.Heat.Power.Value+a.Heat.Power.StandardUncertainty, 293.15)
	near(t, "K, by hand", a.Heat.Steady.StandardUncertainty, math.Hypot(0.3*(a.Heat.Steady.Value-293.15), warmer-a.Heat.Steady.Value), 1e-9)
	for _, g := range a.Gas {
		if g.Rate.Mark != matter.Assumed || g.Total.Mark != matter.Assumed || a.Water.Split.Mark != matter.Assumed || a.Acid.Bath.Mark != matter.Assumed {
			t.Errorf("%s and water that nobody caught: %+v, %+v", g.Gas, g.Rate, a.Water.Split)
		}
	}
}

// TestABathThatRunsDry: a litre in a beaker at 70 °C loses 180 to 240 mm of its 108 mm in 36 h (both sources of evaporationAt), which is a danger and no
// caution; an hour of it is neither.
func TestABathThatRunsDry(t *testing.T) {
	const said = "heater that runs dry starts a fire"
	for hours, told := range map[float64]bool{36: true, 1: false} {
		c := zincCell(t)
		c.Separator, c.Volume, c.Temperature = NoSeparator, matter.GivenFigure(1e-3, 0), matter.GivenFigure(343.15, 0)
		c.Charge = matter.GivenFigure(c.Current.Value*hours*3600, 0)
		a := assessed(t, c)
		if strings.Contains(strings.Join(a.Dangers, " "), said) != told || strings.Contains(strings.Join(a.Cautions, " "), "The level may fall") {
			t.Errorf("%g h: %q, %q", hours, a.Dangers, a.Cautions)
		}
	}
}
