package quantity

import (
	"encoding/json"
	"math"
	"regexp"
	"strconv"
	"testing"

	"pgregory.net/rapid"
)

// TestDigits: a figure ends where its doubt begins.
func TestDigits(t *testing.T) {
	for _, test := range []struct {
		value, u float64
		want     string
	}{
		{45.0158, 1.86, "45.0"}, {45.0158, 3, "45"}, {45.0158, 0.5, "45.0"}, {1234.5, 40, "1230"}, {0.00123, 0.0002, "0.0012"}, {48.317, 0, "48.3"},
		{0, 0, "0"}, {3, 0, "3.00"}, {math.NaN(), 1, "unknown"}, {math.Inf(1), 1, "never"}, {0.5, 7, "0.5"}, {1.05e-5, 0, "1.05e-05"}, {2e7, 3e5, "2.00e+07"},
		{-0.004, 3, "-0.004"}, {0, math.NaN(), "0"}, {9.996, 0, "10.0"},
	} {
		if got := Digits(test.value, test.u); got != test.want {
			t.Errorf("Digits(%g, %g) = %q, want %q", test.value, test.u, got, test.want)
		}
	}
}

// TestWithDoubt follows JCGM 100, 7.2.6: at most two digits of the uncertainty, and the value to the same place. The
// last row is the mass of its example in 7.2.2, 100,021 47 g with a standard uncertainty of 0,35 mg.
func TestWithDoubt(t *testing.T) {
	for _, test := range []struct {
		value, expanded float64
		want            string
	}{
		{45.0158, 3.72, "45.0 ± 3.7"}, {9.474, 4.48, "9.5 ± 4.5"}, {1.05e-5, 6.6e-6, "(1.05 ± 0.66)e-5"}, {0.81987, 0.00025, "0.81987 ± 0.00025"}, {3, 0, "3.00"},
		{162057, 13392, "162000 ± 13000"}, {35.9803, 0.0434, "35.980 ± 0.043"}, {math.NaN(), 1, "unknown"}, {26.1, math.NaN(), "26.1"}, {-0.004, 1.2, "0.0 ± 1.2"},
		{100.02147, 0.00035, "100.02147 ± 0.00035"}, {0.003293, 2.3e-5, "0.003293 ± 0.000023"},
	} {
		if got := WithDoubt(test.value, test.expanded); got != test.want {
			t.Errorf("WithDoubt(%g, %g) = %q, want %q", test.value, test.expanded, got, test.want)
		}
	}
}

// TestWithDoubtKeepsTheTruth: what is printed lies within half a step of its last place of what was given, and the figure
// and its doubt have as many decimals.
func TestWithDoubtKeepsTheTruth(t *testing.T) {
	pair := regexp.MustCompile(`^(-?[0-9]+)(?:\.([0-9]+))? ± ([0-9]+)(?:\.([0-9]+))?$`)
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.Float64Range(-1e5, 1e5).Draw(t, "value")
		expanded := rapid.Float64Range(2e-3, 1e5).Draw(t, "expanded")
		text := WithDoubt(value, expanded)
		found := pair.FindStringSubmatch(text)
		if found == nil || len(found[2]) != len(found[4]) {
			t.Fatalf("WithDoubt(%g, %g) = %q", value, expanded, text)
		}
		half := math.Pow(10, math.Floor(math.Log10(expanded))-1) / 2 * (1 + 1e-9)
		half += 1e-15 * math.Max(math.Abs(value), expanded) // an exact half is not exact in binary
		for i, want := range []float64{value, expanded} {
			part := found[1+2*i]
			if found[2+2*i] != "" {
				part += "." + found[2+2*i]
			}
			if got, err := strconv.ParseFloat(part, 64); err != nil || math.Abs(got-want) > half {
				t.Fatalf("WithDoubt(%g, %g) = %q: %g is off", value, expanded, text, got)
			}
		}
	})
}

func TestIntervalAndTimes(t *testing.T) {
	for got, want := range map[string]string{
		Interval(2.04, 1.61, 2.47):   "2.0 (1.6 to 2.5)",
		Interval(-0.5, -0.55, -0.45): "-0.50 (-0.55 to -0.45)",
		Interval(-0.0008, -0.4, 0.3): "0.0 (-0.4 to 0.3)",
		Between(0, 0.0837, "and"):    "0.00 and 0.08",
		Span(30, 50):                 "30 to 50",
		Lasting(119, 0):              "119 s",
		Lasting(54019, 4500):         "15.0 ± 1.3 h",
		Lasting(7199, 0):             "120 min",
		Lasting(96*3600, 0):          "4.00 d",
		Lasting(math.Inf(1), 0):      "never",
		LastingAbout(40, 8):          "40 s",
		LastingAbout(math.NaN(), 8):  "unknown",
		Significant(9.996, 3):        "10.0",
		Significant(0.09996, 3):      "0.100",
		Significant(12345, 3):        "12300",
	} {
		if got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

// TestMaybe: a number that JSON cannot hold is null and comes back as NaN; each other one comes back bit for bit, written
// as the standard library writes a float64.
func TestMaybe(t *testing.T) {
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		text, err := json.Marshal(Maybe(v))
		if err != nil || string(text) != "null" {
			t.Errorf("%g is %s, %v", v, text, err)
		}
		var back Maybe
		if err := json.Unmarshal(text, &back); err != nil || !math.IsNaN(float64(back)) {
			t.Errorf("null is %v, %v", back, err)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64().Draw(t, "v")
		text, err := json.Marshal(Maybe(v))
		if err != nil {
			t.Fatal(err)
		}
		var back Maybe
		if err := json.Unmarshal(text, &back); err != nil || math.Float64bits(float64(back)) != math.Float64bits(v) {
			t.Fatalf("%s is %v, %v", text, back, err)
		}
		if size := math.Abs(v); size == 0 || size >= 1e-6 {
			if plain, _ := json.Marshal(v); string(plain) != string(text) {
				t.Fatalf("%s, the library writes %s", text, plain)
			}
		}
	})
}
