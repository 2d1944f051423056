package configs

import (
	"fmt"
	"strings"
	"testing"
)

// TestNoBadFigureOfACellGetsIn: what reckons with a cell trusts that every figure of it was checked here. NaN, an infinity and a slip
// of the exponent are refused at every key; so are zero and what lies below it, but for the values that may be so.
func TestNoBadFigureOfACellGetsIn(t *testing.T) {
	const text = `data = "data"
[supply.bench]
port = "/dev/ttyUSB0"
range_voltage = "32 V"
range_current = "5 A"
[cell.zinc-1]
supply = "bench"
[cell.zinc-1.limits]
current = "3.3 A"
voltage = "6 V"
[cell.zinc-1.%s]
%s = "%s"
`
	for _, key := range []struct{ table, name, unit, may string }{
		{"bath", "volume", "L", ""}, {"bath", "metal_mass", "g", ""}, {"bath", "concentration", "g/L", ""}, {"bath", "concentration", "mol/L", ""},
		{"bath", "ph", "", "0 -1 -1e-9"}, {"bath", "temperature", "°C", "0"}, {"bath", "acid", "mol/L", "0"}, {"bath", "chloride", "mol/L", "0"},
		{"bath", "ligand", "mol/L", "0"}, {"bath", "conductivity", "S/m", ""}, {"bath", "open_area", "cm2", ""},
		{"bath.anolyte", "volume", "L", ""}, {"bath.anolyte", "ph", "", "0 -1 -1e-9"},
		{"electrodes", "cathode_area", "cm2", ""}, {"electrodes", "anode_area", "cm2", ""}, {"electrodes", "gap", "mm", ""},
		{"electrodes", "lead_length", "m", ""}, {"electrodes", "lead_resistance", "mohm", ""}, {"electrodes", "anode_loss", "%", "0"},
		{"electrodes", "cathode_mass", "g", ""},
		{"efficiency", "fixed", "%", ""}, {"efficiency", "initial", "%", ""}, {"efficiency", "mass_transfer", "m/s", ""},
		{"working", "current", "A", ""}, {"working", "voltage", "V", ""},
		{"room", "volume", "m3", ""}, {"room", "ventilation", "m3/h", "0"}, {"room", "temperature", "°C", "0"}, {"room", "price_per_kwh", "", "0 1e300"},
		{"target", "recover", "%", ""}, {"target", "concentration", "g/L", ""}, {"target", "deposit", "g", ""}, {"target", "thickness", "mm", ""},
		{"target", "charge", "A h", ""}, {"target", "marginal_energy", "kWh/kg", ""},
	} {
		for _, number := range []string{"0", "-1", "-1e-9", "NaN", "Inf", "-Inf", "1e300", "1e999"} {
			value := strings.TrimSpace(number + " " + key.unit)
			_, err := Draft("test.toml", fmt.Appendf(nil, text, key.table, key.name, value))
			may := strings.Contains(" "+key.may+" ", " "+number+" ")
			told := err != nil && strings.Contains(err.Error(), key.name)
			if told == may {
				t.Errorf("%s.%s = %q: %v", key.table, key.name, value, err)
			}
		}
	}
}
