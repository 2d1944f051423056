package quantity_test

import (
	"math"
	"strings"
	"testing"

	"nightcell/configs/quantity"

	"pgregory.net/rapid"
)

// dimensions lists every dimension there is, found by its name.
func dimensions() []quantity.Dimension {
	var all []quantity.Dimension
	for d := quantity.Dimension(0); d.String() != "an unknown dimension"; d++ {
		all = append(all, d)
	}
	return all
}

func TestExamplesParse(t *testing.T) {
	for _, d := range dimensions() {
		if _, err := quantity.Parse(d, d.Example()); err != nil {
			t.Errorf("the example of %v: %v", d, err)
		}
	}
}

func TestFormat(t *testing.T) {
	for _, c := range []struct {
		d    quantity.Dimension
		v    float64
		want string
	}{
		{quantity.Mass, 0.25, "250 g"},
		{quantity.Mass, 0, "0 mg"},
		{quantity.Volume, 0.0009, "900 mL"},
		{quantity.Charge, 93960, "26.1 A h"},
		{quantity.Charge, 12.5, "12.5 C"},
		{quantity.Temperature, 298.15, "25 °C"},
		{quantity.Fraction, 0.88, "88 %"},
		{quantity.CurrentDensity, 300, "3 A/dm2"},
		{quantity.Number, 4.5, "4.5"},
		{quantity.Current, -3, "-3 A"},
		{quantity.Time, 57600, "16 h"},
		{quantity.Mass, math.NaN(), "unknown"},
	} {
		if got := quantity.Format(c.d, c.v); got != c.want {
			t.Errorf("Format(%v, %v) = %q, want %q", c.d, c.v, got, c.want)
		}
	}
}

func TestRound(t *testing.T) {
	for _, c := range []struct {
		d      quantity.Dimension
		v      float64
		digits int
		want   string
	}{
		{quantity.Charge, 93961.7, 4, "26.10 A h"},
		{quantity.Mass, 0.031415, 3, "31.4 g"},
		{quantity.Current, 2.9996, 3, "3.00 A"},
		{quantity.Voltage, 0.0099, 1, "10 mV"},
		{quantity.Current, 0, 3, "0 µA"},
	} {
		if got := quantity.Round(c.d, c.v, c.digits); got != c.want {
			t.Errorf("Round(%v, %v, %d) = %q, want %q", c.d, c.v, c.digits, got, c.want)
		}
	}
}

// Whatever Format writes, Parse reads back to the last bit.
func TestFormatParseRoundTrip(t *testing.T) {
	all := dimensions()
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(all).Draw(t, "dimension")
		v := rapid.Float64Range(-1e12, 1e12).Draw(t, "value")
		if rapid.Bool().Draw(t, "small") {
			v /= 1e15
		}
		text := quantity.Format(d, v)
		got, err := quantity.Parse(d, text)
		if err != nil || got != v {
			t.Fatalf("Format(%v, %v) = %q, which parses to %v, %v", d, v, text, got, err)
		}
	})
}

// A quantity of one dimension is never read as another, whatever its number.
func TestDimensionsNeverMix(t *testing.T) {
	all := dimensions()
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SampledFrom(all).Draw(t, "written")
		other := rapid.SampledFrom(all).Draw(t, "wanted")
		text := quantity.Format(d, rapid.Float64Range(0, 1e6).Draw(t, "value"))
		if _, err := quantity.Parse(other, text); (err == nil) != (d == other) {
			t.Fatalf("%q, %v, read as %v: %v", text, d, other, err)
		}
	})
}

// FuzzParse holds that what parses is finite, survives the round trip, and has no comma.
func FuzzParse(f *testing.F) {
	for _, d := range dimensions() {
		f.Add(uint8(d), d.Example())
	}
	f.Add(uint8(quantity.Mass), "250 g ± 0.5 g")
	f.Add(uint8(quantity.Mass), "5,0 g")
	f.Add(uint8(quantity.CurrentDensity), "3 A dm^-2")
	f.Add(uint8(quantity.Temperature), "-300 °C")
	f.Fuzz(func(t *testing.T, dimension uint8, text string) {
		all := dimensions()
		d := all[int(dimension)%len(all)]
		v, err := quantity.ParseAny(text, d)
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without words")
			}
			return
		}
		if math.IsNaN(v.SI) || math.IsInf(v.SI, 0) || v.PlusMinus < 0 || math.IsInf(v.PlusMinus, 0) || v.Dimension != d {
			t.Fatalf("%q gave %+v", text, v)
		}
		if strings.Contains(text, ",") {
			t.Fatalf("%q with a comma was read as %+v", text, v)
		}
		if size := math.Abs(v.SI); size > 1e290 || size != 0 && size < 1e-290 {
			return // Format's handy unit may lie outside float64 there
		}
		again, err := quantity.Parse(d, quantity.Format(d, v.SI))
		if err != nil || again != v.SI {
			t.Fatalf("%q = %v, written %q, read %v, %v", text, v.SI, quantity.Format(d, v.SI), again, err)
		}
	})
}
