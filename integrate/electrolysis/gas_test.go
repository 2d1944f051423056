package electrolysis

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"nightcell/integrate/matter"
)

// Litres per ampere-hour by CODATA 2018/2022 constants at one atmosphere, as tabled
// for 0, 20 and 25 °C; the allowance of EN 50272 and IEC 62485 is the first, rounded to 0.42.
func TestGasPerAmpereHour(t *testing.T) {
	for _, row := range []struct{ celsius, hydrogen, oxygen float64 }{
		{0, 0.418148, 0.209074}, {20, 0.448765, 0.224382}, {25, 0.456419, 0.228209},
	} {
		kelvin := row.celsius + matter.ZeroCelsius
		near(t, "hydrogen, L/A·h, CODATA", 1e3*Hydrogen.GasVolume(ampereHour, kelvin, matter.Atmosphere), row.hydrogen, 1e-6)
		near(t, "oxygen, L/A·h, CODATA", 1e3*Oxygen.GasVolume(ampereHour, kelvin, matter.Atmosphere), row.oxygen, 1e-6)
		near(t, "chlorine, L/A·h, same electrons as hydrogen", 1e3*Chlorine.GasVolume(ampereHour, kelvin, matter.Atmosphere), row.hydrogen, 1e-6)
	}
	near(t, "EN 50272-2/-3, IEC 62485-2: q = 0.42e-3 m³/A·h", Hydrogen.GasVolume(ampereHour, 273.15, matter.Atmosphere), 0.42e-3, 0.005e-3) // outside: en-50272 allowance q, 0.42e-3 m³/A·h
	near(t, "a battery-room designer's rule built on 0.46 L/A·h", 1e3*Hydrogen.GasVolume(ampereHour, 298.15, matter.Atmosphere), 0.46, 0.005)
}

// OpenStax Chemistry 2e, section 17.7, exercises: masses of gas and a volume.
func TestGasWorkedExamples(t *testing.T) {
	const charge = 3.33e5                                                                                             // C
	near(t, "CaCl2 or AlCl3, printed 122 g of chlorine", 1e3*Chlorine.GasMoles(charge)*molarMass(Chlorine), 122, 0.5) // outside: chemistry-2e 17.7
	near(t, "LiH, printed 3.48 g of hydrogen", 1e3*Hydrogen.GasMoles(charge)*molarMass(Hydrogen), 3.48, 0.005)        // outside: chemistry-2e 17.7
	near(t, "2.345 A for 45 min at room temperature and 1 atm, printed 0.79 L (dry, 20 °C)",
		1e3*Hydrogen.GasVolume(2.345*45*60, 293.15, matter.Atmosphere), 0.79, 0.005) // outside: chemistry-2e 17.7
	// Trade figure: chlorine 1.32 g per ampere-hour.
	near(t, "chlorine, g/A·h, common trade figure", 1e3*Chlorine.GasMoles(ampereHour)*molarMass(Chlorine), 1.32, 0.005)
}

func TestNoGas(t *testing.T) {
	if NoGas.GasVolume(100, 298, matter.Atmosphere) != 0 {
		t.Error("no gas must have neither volume nor mass")
	}
	for gas, name := range map[Gas]string{NoGas: "no gas", Hydrogen: "hydrogen", Oxygen: "oxygen", Chlorine: "chlorine"} {
		if gas.String() != name {
			t.Errorf("%d is called %q", gas, gas)
		}
	}
	near(t, "oxygen, g/A·h, 32.00/4 over 26.80 A·h", 1e3*Oxygen.GasMoles(ampereHour)*molarMass(Oxygen), 31.998/4/26.8015, 1e-5)
}

// molarMass returns kg/mol by the CIAAW 2021 weights (H 1.0080, O 15.999, Cl 35.45).
func molarMass(g Gas) float64 {
	return map[Gas]float64{Hydrogen: 2.0160e-3, Oxygen: 31.998e-3, Chlorine: 70.90e-3}[g]
}

// Battery-room figures. EN 50272-3 as quoted by a battery maker: Q = v·q·s·I with v = 24,
// q = 0.42e-3 m³/A·h, s = 5, rounded to 0.05 m³/h per ampere; a Swedish rule prints 0.017 L/s.
func TestBatteryRoom(t *testing.T) {
	near(t, "EN 50272-3, 0.05 m³/h per A", 3600*BatteryRoomAirflow(1), 0.05, 1e-12)
	const dilution, allowance, safety = 24, 0.42e-3, 5
	near(t, "EN 50272-3, product of the printed factors is 0.0504", 3600*BatteryRoomAirflow(1), dilution*allowance*safety, 0.0005) // outside: en-50272 factors 24, 0.42e-3 and 5
	near(t, "EN 50272-3, dilution (100 − 4)/4", (1-hydrogenFlammable)/hydrogenFlammable, dilution, 1e-12)
	near(t, "a battery-room designer, 0.017 L/s per A and cell", 1e3*BatteryRoomAirflow(1), 0.017, 0.0035)
	hydrogen := Hydrogen.GasVolume(1, 298.15, matter.Atmosphere)
	near(t, "1 % basis (IEEE 1635 / IEC 62485-2 tables), 0.046 m³/h per A", 3600*dilutionAirflow(hydrogen, hydrogenQuarter), 0.046, 0.0005)
	near(t, "EN 50272-3, opening 28 cm² per m³/h", ventOpening(1.0/3600), 28e-4, 1e-12)
}

// A 5 A cell in a closed cupboard and room, and 1 A of chlorine: figures derived by hand
// from the litres per ampere-hour above.
func TestClosedRooms(t *testing.T) {
	hydrogen := Hydrogen.GasVolume(5, 298.15, matter.Atmosphere)
	near(t, "5 A: 2.3 L/h", 3.6e6*hydrogen, 2.3, 0.05)
	near(t, "0.5 m³ cupboard to 1 %: 2.2 h", timeToFraction(hydrogen, 0.5, 0, 0.01)/3600, 2.2, 0.05)
	near(t, "0.5 m³ cupboard to 4 %: 8.8 h", timeToFraction(hydrogen, 0.5, 0, 0.04)/3600, 8.8, 0.05)
	near(t, "20 m³ room to 1 %: 88 h", timeToFraction(hydrogen, 20, 0, 0.01)/3600, 88, 0.5)
	chlorine := Chlorine.GasVolume(1, 298.15, matter.Atmosphere)
	near(t, "1 A of chlorine in 30 m³ for an hour: 15 ppm", 1e6*fractionAfter(chlorine, 30, 0, 3600), 15, 0.3)
	near(t, "the same to the NIOSH ceiling of 0.5 ppm: 2 min", timeToFraction(chlorine, 30, 0, chlorineCeiling)/60, 2, 0.05)
}

// A room with air against stepping dx/dt = (rate − airflow·x)/volume by the classical
// fourth-order Runge-Kutta rule, written here.
func TestRoomAgainstStepping(t *testing.T) {
	const rate, volume, airflow, until = 6e-7, 12.0, 2e-5, 40 * 3600.0
	slope := func(x float64) float64 { return (rate - airflow*x) / volume }
	x, step := 0.0, until/20000
	for range 20000 {
		k1 := slope(x)
		k2 := slope(x + step/2*k1)
		k3 := slope(x + step/2*k2)
		k4 := slope(x + step*k3)
		x += step / 6 * (k1 + 2*k2 + 2*k3 + k4)
	}
	near(t, "fraction after 40 h", fractionAfter(rate, volume, airflow, until), x, 1e-12)
	near(t, "time back from that fraction", timeToFraction(rate, volume, airflow, x), until, 1e-3)
}

func TestRoomProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rate := rapid.Float64Range(1e-9, 1e-4).Draw(t, "rate")
		volume := rapid.Float64Range(0.05, 500).Draw(t, "volume")
		airflow := rapid.Float64Range(0, 0.5).Draw(t, "airflow")
		limit := rapid.Float64Range(1e-7, 0.04).Draw(t, "limit")
		seconds := timeToFraction(rate, volume, airflow, limit)
		steady := steadyFraction(rate, airflow)
		if math.IsInf(seconds, 1) != (steady <= limit) && airflow > 0 {
			t.Fatalf("never reaching %v must mean a steady fraction below it, %v", limit, steady)
		}
		if seconds < timeToFraction(rate, volume, 0, limit)*(1-1e-9) {
			t.Fatal("air must not shorten the time")
		}
		if !math.IsInf(seconds, 1) && steady > limit*(1+1e-6) {
			if back := fractionAfter(rate, volume, airflow, seconds); math.Abs(back/limit-1) > 1e-6 {
				t.Fatalf("limit %v came back as %v", limit, back)
			}
		}
		if air := dilutionAirflow(rate, limit); math.Abs(steadyFraction(rate, air)/limit-1) > 1e-12 {
			t.Fatal("the dilution airflow must settle at the limit")
		}
	})
}

func TestVentilationAtItsEnds(t *testing.T) {
	// A draught too small to matter is none: the quotient of volume and airflow overflows here.
	near(t, "hardly any air", timeToFraction(1e-4, 1, 1e-310, 0.04), timeToFraction(1e-4, 1, 0, 0.04), 1e-9)
	near(t, "hardly any air", fractionAfter(1e-4, 1, 1e-310, 400), 0.04, 1e-12)
	if !math.IsInf(timeToFraction(0, 1, 0, 0.01), 1) || steadyFraction(1e-6, 0) != 1 {
		t.Error("no gas never fills a room; gas without air fills it")
	}
}
