package electrolysis

import (
	"testing"

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
	near(t, "a room rule at servicepoolen.com built on 0.46 L/A·h", 1e3*Hydrogen.GasVolume(ampereHour, 298.15, matter.Atmosphere), 0.46, 0.005)
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
