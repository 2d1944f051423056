package quantity_test

import (
	"math"
	"strings"
	"testing"

	"nightcell/configs/quantity"
)

// Sizes are exact by the SI Brochure (9th edition, tables 7 and 8) and, for the
// customary units, by NIST SP 811, appendix B.8 and B.9.
func TestParseSizes(t *testing.T) {
	for _, c := range []struct {
		d    quantity.Dimension
		text string
		want float64
	}{
		{quantity.Volume, "0.9 L", 0.0009},
		{quantity.Volume, "900mL", 0.0009},
		{quantity.Volume, "900 ml", 0.0009},
		{quantity.Volume, "900 cm³", 0.0009},
		{quantity.Volume, "1 gal", 0.003785411784},
		{quantity.Mass, "250 g", 0.25},
		{quantity.Mass, "1 lb", 0.45359237},
		{quantity.Mass, "16 oz", 0.45359237},
		{quantity.Area, "60 cm2", 0.006},
		{quantity.Area, "0.6 dm^2", 0.006},
		{quantity.Area, "60 cm²", 0.006},
		{quantity.Length, "25 µm", 25e-6},
		{quantity.Length, "25 \u03bcm", 25e-6},
		{quantity.Length, "1 in", 0.0254},
		{quantity.Amount, "0.5 mol", 0.5},
		{quantity.Time, "45 min", 2700},
		{quantity.Time, "16 h", 57600},
		{quantity.Time, "2 h 30 min", 9000},
		{quantity.Time, "1d12h", 129600},
		{quantity.Time, "1 min 0.5 s", 60.5},
		{quantity.Time, "250 ms", 0.25},
		{quantity.Temperature, "25 °C", 298.15},
		{quantity.Temperature, "77 °F", 298.15},
		{quantity.Temperature, "298.15 K", 298.15},
		{quantity.Temperature, "-5 °C", 268.15},
		{quantity.Current, "3000 mA", 3},
		{quantity.Voltage, "3.2 V", 3.2},
		{quantity.Charge, "1 A h", 3600},
		{quantity.Charge, "1 A·h", 3600},
		{quantity.Charge, "1 Ah", 3600},
		{quantity.Charge, "1000 mAh", 3600},
		{quantity.Charge, "24 A*h", 86400},
		{quantity.Charge, "96485 C", 96485},
		{quantity.CurrentDensity, "3 A/dm2", 300},
		{quantity.CurrentDensity, "30 mA/cm2", 300},
		{quantity.CurrentDensity, "300 A/m²", 300},
		{quantity.CurrentDensity, "300 A m^-2", 300},
		{quantity.CurrentDensity, "1 ASF", 1 / (0.3048 * 0.3048)},
		{quantity.CurrentDensity, "1 A/ft2", 1 / (0.3048 * 0.3048)},
		{quantity.MassConcentration, "60 g/L", 60},
		{quantity.AmountConcentration, "0.9 mol/L", 900},
		{quantity.AmountConcentration, "0.9 M", 900},
		{quantity.Fraction, "88 %", 0.88},
		{quantity.Fraction, "50ppm", 50e-6},
		{quantity.Number, "4.5", 4.5},
		{quantity.Number, "-1e-3", -1e-3},
		{quantity.Power, "12 V A", 12},
		{quantity.Energy, "0.2 kWh", 720000},
		{quantity.Energy, "720 kJ", 720000},
		{quantity.EnergyPerMass, "4 kWh/kg", 14.4e6},
		{quantity.EnergyPerMass, "4 Wh/g", 14.4e6},
		{quantity.Resistance, "20 mohm", 0.02},
		{quantity.Resistance, "20 mΩ", 0.02},
		{quantity.Resistance, "20 m\u2126", 0.02},
		{quantity.Conductivity, "80 mS/cm", 8},
		{quantity.Conductivity, "8 S/m", 8},
		{quantity.VolumeFlow, "3.6 m3/h", 0.001},
		{quantity.VolumeFlow, "60 L/min", 0.001},
		{quantity.Velocity, "1e-5 m/s", 1e-5},
		{quantity.Velocity, "10 µm/s", 1e-5},
		{quantity.VoltageRate, "3.6 V/h", 0.001},
		{quantity.Pressure, "1013.25 hPa", 101325},
		{quantity.Pressure, "980 mbar", 98000},
		{quantity.Data, "200 MB", 200e6},
		{quantity.Data, "2 KiB", 2048},
		{quantity.Voltage, "\u22120.763 V", -0.763},
	} {
		got, err := quantity.Parse(c.d, c.text)
		if err != nil {
			t.Errorf("Parse(%v, %q): %v", c.d, c.text, err)
			continue
		}
		// One rounding from the exact decimal: equal to the nearest float64, but
		// the quotient for square feet above is itself rounded.
		if tolerance := 4e-16 * math.Abs(c.want) * b2f(strings.Contains(c.text, "ft2") || strings.Contains(c.text, "ASF")); math.Abs(got-c.want) > tolerance {
			t.Errorf("Parse(%v, %q) = %v, want %v", c.d, c.text, got, c.want)
		}
	}
}

func b2f(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func TestParseSaysWhatIsWrong(t *testing.T) {
	for _, c := range []struct {
		d          quantity.Dimension
		text, want string
	}{
		{quantity.Volume, "900 g", "'900 g' is a mass; a volume is needed, such as '0.9 L'"},
		{quantity.Mass, "5,0 g", "'5,0 g' has a comma: numbers take a decimal point and no thousands mark; write '5.0 g'"},
		{quantity.Mass, "1,000 g", "'1,000 g' has a comma: numbers take a decimal point and no thousands mark; write '1000 g', or '1.000 g' if a thousandth of that is meant"},
		{quantity.Mass, "1,000.5 g", "'1,000.5 g' has a comma: numbers take a decimal point and no thousands mark; write '1000.5 g'"},
		{quantity.Mass, "1,000,000 g", "'1,000,000 g' has a comma: numbers take a decimal point and no thousands mark; write '1000000 g'"},
		{quantity.Mass, "0.9", "'0.9' has no unit: a mass is needed, such as '250 g'"},
		{quantity.Mass, "", "it is empty: a mass is needed, such as '250 g'"},
		{quantity.Mass, "some g", "'some g' does not begin with a number: a mass is needed, such as '250 g'"},
		{quantity.Mass, "NaN g", "'NaN g' is not a finite number: a mass is needed, such as '250 g'"},
		{quantity.Mass, "-Inf g", "'-Inf g' is not a finite number: a mass is needed, such as '250 g'"},
		{quantity.Mass, "1e999 g", "'1e999 g' is beyond the numbers that can be held"},
		{quantity.Mass, "1e-400 g", "'1e-400 g' is beyond the numbers that can be held"},
		{quantity.Mass, "250 KG", `'250 KG': unknown unit "KG" (is 'kg' meant?); a mass is needed, such as '250 g'`},
		{quantity.Mass, "10 000 g", "'10 000 g' has something between its digits: write the number in one piece"},
		{quantity.Mass, "1.2.3 g", "'1.2.3 g' does not begin with a number that can be read: '1.2.3'"},
		{quantity.Mass, "250 g ± 1 g", "'250 g ± 1 g' states an uncertainty, which has no use here: leave out the ± part"},
		{quantity.Mass, "250 Mg", `'250 Mg': unknown unit "Mg" (is 'mg' meant?); a mass is needed, such as '250 g'`},
		{quantity.Temperature, "25 C", "'25 C' is a charge; a temperature is needed, such as '25 °C' (degrees Celsius are written °C)"},
		{quantity.MassConcentration, "0.9 mol/L", "'0.9 mol/L' is an amount concentration; a mass concentration is needed, such as '60 g/L'"},
		{quantity.AmountConcentration, "60 g/L", "'60 g/L' is a mass concentration; an amount concentration is needed, such as '0.9 mol/L'"},
		{quantity.Number, "4.5 %", "'4.5 %' is a fraction; a plain number is needed, such as '4.5'"},
		{quantity.Time, "30 min 2 h", `'30 min 2 h': unknown unit "2"; a time is needed, such as '45 min'`},
		{quantity.Time, "2 h 30 g", `'2 h 30 g': unknown unit "30"; a time is needed, such as '45 min'`},
		{quantity.Time, "2 h 1,5 min", `'2 h 1,5 min': unknown unit "1,5"; a time is needed, such as '45 min'`},
		{quantity.Time, "16 S", "'16 S' is a conductance; a time is needed, such as '45 min'"},
		{quantity.Time, "1 h/min s", `'1 h/min s': the unit "h/min s" is not clear after the slash: write one unit after each slash; a time is needed, such as '45 min'`},
		{quantity.Mass, "1 kg m3 A2", "'1 kg m3 A2' is not a quantity that nightcell knows; a mass is needed, such as '250 g'"},
		{quantity.Mass, strings.Repeat("9", 90) + " g", "a quantity of 92 characters is too long: write a number and a unit, such as '250 g'"},
	} {
		_, err := quantity.Parse(c.d, c.text)
		if err == nil || err.Error() != c.want {
			t.Errorf("Parse(%v, %q):\n got %v\nwant %s", c.d, c.text, err, c.want)
		}
	}
}

func TestParseEitherDimension(t *testing.T) {
	mass, err := quantity.ParseAny("60 g/L", quantity.MassConcentration, quantity.AmountConcentration)
	if err != nil || mass.Dimension != quantity.MassConcentration || mass.SI != 60 {
		t.Errorf("60 g/L: %+v, %v", mass, err)
	}
	amount, err := quantity.ParseAny("60 mmol/L", quantity.MassConcentration, quantity.AmountConcentration)
	if err != nil || amount.Dimension != quantity.AmountConcentration || amount.SI != 60 {
		t.Errorf("60 mmol/L: %+v, %v", amount, err)
	}
	_, err = quantity.ParseAny("60 g", quantity.MassConcentration, quantity.AmountConcentration)
	if want := "'60 g' is a mass; a mass concentration or an amount concentration is needed, such as '60 g/L'"; err == nil || err.Error() != want {
		t.Errorf("60 g: got %v, want %s", err, want)
	}
}

func TestParseAnyUncertain(t *testing.T) {
	for _, c := range []struct {
		d             quantity.Dimension
		text          string
		si, plusMinus float64
	}{
		{quantity.Mass, "250 g", 0.25, math.NaN()},
		{quantity.Mass, "250 g ± 0.5 g", 0.25, 0.0005},
		{quantity.Mass, "250 ± 0.5 g", 0.25, 0.0005},
		{quantity.Mass, "250 g ± 500 mg", 0.25, 0.0005},
		{quantity.Mass, "250 g ± 1 %", 0.25, 0.0025},
		{quantity.Mass, "250 g +/- 1 %", 0.25, 0.0025},
		{quantity.Voltage, "-2 V +- 10 %", -2, 0.2},
		{quantity.Fraction, "88 % ± 2 %", 0.88, 0.02},
		{quantity.Fraction, "88 ± 2 %", 0.88, 0.02},
		{quantity.Temperature, "25 °C ± 2 °C", 298.15, 2},
		{quantity.Temperature, "25 °C ± 2 K", 298.15, 2},
		{quantity.Temperature, "77 °F ± 9 °F", 298.15, 5},
		{quantity.Number, "4.5 ± 0.1", 4.5, 0.1},
		{quantity.Number, "4.5 ± 10 %", 4.5, 0.45},
	} {
		v, err := quantity.ParseAny(c.text, c.d)
		if err != nil || v.SI != c.si || math.Abs(v.PlusMinus-c.plusMinus) > 1e-15 || math.IsNaN(v.PlusMinus) != math.IsNaN(c.plusMinus) {
			t.Errorf("ParseAny(%q) = %+v, %v; want %v ± %v", c.text, v, err, c.si, c.plusMinus)
		}
	}
	for text, want := range map[string]string{
		"250 g ±":         "'250 g ±' has no number after ±: write it as in '250 g ± 0.5 g' or '250 g ± 1 %'",
		"250 g ± -1 g":    "'250 g ± -1 g' has a negative uncertainty: write the half-width, such as '± 1 %'",
		"250 g ± 1 mL":    "'250 g ± 1 mL': the uncertainty after ± must be a mass or a share in %",
		"250 g ± 0,5 g":   "'250 g ± 0,5 g' has a comma: numbers take a decimal point and no thousands mark; write '0.5 g'",
		"250 g ± 1 g ± 2": "'250 g ± 1 g ± 2': after ±: unknown unit \"±\"",
		"250 ± 1 %":       "'250 ± 1 %' is a fraction; a mass is needed, such as '250 g'",
	} {
		if _, err := quantity.ParseAny(text, quantity.Mass); err == nil || err.Error() != want {
			t.Errorf("ParseAny(%q):\n got %v\nwant %s", text, err, want)
		}
	}
}
