package scpi

import (
	"bytes"
	"math"
	"strconv"
	"strings"
	"testing"

	"nightcell/drivers"
)

// The forms are those of IEEE 488.2, 8.7.2 (NR1), 8.7.3 (NR2) and 8.7.4 (NR3); the
// special values those of SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5, as two published parser libraries write them.
func TestParseNumber(t *testing.T) {
	for _, c := range []struct {
		in, unit string
		want     float64
		why      drivers.Reason
	}{
		{in: "3", want: 3}, {in: "+12", want: 12}, {in: "-7", want: -7},
		{in: "3.2140", want: 3.214}, {in: "+0.001", want: 0.001}, {in: "-0.0", want: 0},
		{in: "3.214E+00", want: 3.214}, {in: "+1.23000E-03", want: 0.00123}, {in: "5E1", want: 50}, {in: "1.5e+02", want: 150},
		{in: "  3.2 ", want: 3.2},
		{in: "3.214V", unit: "V", want: 3.214}, {in: "3.214 V", unit: "V", want: 3.214},
		{in: "3.214A", unit: "V", why: drivers.NotNumeric}, {in: "3.214", unit: "V", why: drivers.NotNumeric}, {in: "V", unit: "V", why: drivers.Blank},
		{in: "3.214V", why: drivers.NotNumeric},

		{in: "9.91E37", why: drivers.NotANumber}, {in: "9.91E+37", why: drivers.NotANumber}, {in: "+9.91000E+37", why: drivers.NotANumber},
		{in: "9.9E37", why: drivers.Overflow}, {in: "-9.9E+37", why: drivers.Overflow}, {in: "9.90000E+37", why: drivers.Overflow},
		{in: "9.9E38", why: drivers.Overflow}, {in: "1E999", why: drivers.Overflow}, {in: "-1E999", why: drivers.Overflow},
		{in: "NAN", why: drivers.NotANumber}, {in: "nan", why: drivers.NotANumber}, {in: "INF", why: drivers.Overflow}, {in: "-inf", why: drivers.Overflow}, {in: "NINF", why: drivers.Overflow},

		{in: "", why: drivers.Blank}, {in: "   ", why: drivers.Blank},
		{in: ".5", why: drivers.NotNumeric}, {in: "3.", why: drivers.NotNumeric}, {in: "3.2.1", why: drivers.NotNumeric},
		{in: "3,214", why: drivers.NotNumeric}, {in: "3.214,3.001", why: drivers.NotNumeric}, {in: "3.214;3.001", why: drivers.NotNumeric},
		{in: "3.21403.0010", why: drivers.NotNumeric}, {in: "3 214", why: drivers.NotNumeric}, {in: "--3", why: drivers.NotNumeric},
		{in: "+", why: drivers.NotNumeric}, {in: "E5", why: drivers.NotNumeric}, {in: "3E", why: drivers.NotNumeric}, {in: "3E+", why: drivers.NotNumeric},
		{in: "0x10", why: drivers.NotNumeric}, {in: "1_000", why: drivers.NotNumeric}, {in: "infinity", why: drivers.NotNumeric},
		{in: "MEAS:VOLT?", why: drivers.NotNumeric}, {in: `-113,"Undefined header"`, why: drivers.NotNumeric},
		{in: "3.2\x00", why: drivers.NotNumeric}, {in: "\xff3.2", why: drivers.NotNumeric},
		{in: "1" + strings.Repeat("0", 30), why: drivers.NotNumeric}, {in: "1E1234", why: drivers.NotNumeric},
	} {
		got, why := parseNumber([]byte(c.in), c.unit)
		if got != c.want && why == "" || why != c.why {
			t.Errorf("%q in %q: %v, %q; want %v, %q", c.in, c.unit, got, why, c.want, c.why)
		}
	}
}

func TestParseRegister(t *testing.T) {
	for _, c := range []struct {
		in   string
		want uint16
		why  drivers.Reason
	}{
		{"0", 0, ""}, {"256", 256, ""}, {"+1024", 1024, ""}, {"32767", 32767, ""}, {"256.0", 256, ""}, {"0x14", 20, ""}, {"#H14", 20, ""}, {"0XFFFF", 65535, ""},
		{"0x1FFFF", 0, drivers.NotNumeric}, {"0x", 0, drivers.NotNumeric}, {"#Q14", 0, drivers.NotNumeric},
		{"32768", 0, drivers.NotNumeric}, {"-1", 0, drivers.NotNumeric}, {"3.001", 0, drivers.NotNumeric}, {"", 0, drivers.Blank}, {"9.91E37", 0, drivers.NotANumber},
	} {
		if got, why := parseRegister([]byte(c.in)); got != c.want || why != c.why {
			t.Errorf("%q: %v, %q; want %v, %q", c.in, got, why, c.want, c.why)
		}
	}
}

func TestParseBool(t *testing.T) {
	for _, c := range []struct {
		in   string
		want bool
		why  drivers.Reason
	}{
		{"1", true, ""}, {"0", false, ""}, {"ON", true, ""}, {"off", false, ""}, {" 1 ", true, ""},
		{"", false, drivers.Blank}, {"2", false, drivers.NotNumeric}, {"3.214", false, drivers.NotNumeric}, {"10", false, drivers.NotNumeric},
	} {
		if got, why := parseBool([]byte(c.in)); got != c.want || why != c.why {
			t.Errorf("%q: %v, %q; want %v, %q", c.in, got, why, c.want, c.why)
		}
	}
}

// The shapes are those of SCPI-1999 volume 2, 21.8; the numbers from published parser libraries.
func TestParseError(t *testing.T) {
	for _, c := range []struct {
		in   string
		want int
		why  drivers.Reason
	}{
		{`0,"No error"`, 0, ""}, {`-113,"Undefined header"`, -113, ""}, {`-350,"Queue overflow;too many"`, -350, ""}, {`+0,"No error"`, 0, ""}, {"0", 0, ""},
		{`12, "Of the maker's own"`, 12, ""},
		{"", 0, drivers.Blank}, {"3.214", 0, drivers.NotNumeric}, {"-113,Undefined header", -113, ""}, {"0,No error", 0, ""}, {"-113,12", 0, drivers.NotNumeric}, {"1,A,2", 0, drivers.NotNumeric}, {`-113,"Undef`, 0, drivers.NotNumeric},
		{"EXAMPLE,PS,1,1", 0, drivers.NotNumeric}, {`99999,"x"`, 0, drivers.NotNumeric},
	} {
		if got, why := parseError([]byte(c.in)); got != c.want || why != c.why {
			t.Errorf("%q: %v, %q; want %v, %q", c.in, got, why, c.want, c.why)
		}
	}
}

func TestParseIdentity(t *testing.T) {
	for in, want := range map[string]drivers.Identity{
		"EXAMPLE,PS-30-5,0001,1.0":     {Maker: "EXAMPLE", Model: "PS-30-5", Serial: "0001", Firmware: "1.0"},
		"EXAMPLE, PS-30-5 ,0,1.0,rev2": {Maker: "EXAMPLE", Model: "PS-30-5", Serial: "0", Firmware: "1.0,rev2"},
		"bench supply":                 {Maker: "bench supply"},
	} {
		if got := drivers.ParseIdentity(in); got != want {
			t.Errorf("%q: %+v, want %+v", in, got, want)
		}
	}
}

// Whatever comes, what is taken for a number is one: finite, below SCPI's infinity,
// made of a number's characters alone, and the same when written out and read again.
func FuzzParseNumber(f *testing.F) {
	for _, s := range []string{"3.2140", "9.91E37", "-9.9E+37", "", "3.2;1", "+1.5E-3", "nan", "1e400", "3.214V"} {
		f.Add([]byte(s), "")
		f.Add([]byte(s), "V")
	}
	f.Fuzz(func(t *testing.T, b []byte, unit string) {
		before := bytes.Clone(b)
		x, why := parseNumber(b, unit)
		if !bytes.Equal(b, before) {
			t.Fatalf("%q was changed to %q", before, b)
		}
		if why != "" {
			if x != 0 {
				t.Errorf("%q is refused, and yet %v", b, x)
			}
			return
		}
		if math.IsNaN(x) || math.Abs(x) >= 9.9e37 {
			t.Errorf("%q is %v", b, x)
		}
		text := strings.TrimSpace(strings.TrimSuffix(strings.TrimSpace(string(b)), unit))
		if strings.Trim(text, "+-.0123456789eE") != "" || !strings.ContainsAny(text, "0123456789") {
			t.Errorf("%q is not a number, and was taken for %v", b, x)
		}
		again, why := parseNumber([]byte(strconv.FormatFloat(x, 'E', -1, 64)), "")
		if why != "" || again != x {
			t.Errorf("%q is %v, which reads again as %v, %q", b, x, again, why)
		}
	})
}

// TestTwoAnswersRunTogether, as they may where only a silence ends an answer: they are no number wherever it shows.
func TestTwoAnswersRunTogether(t *testing.T) {
	for _, tt := range []struct{ both, unit string }{
		{"+3.2140+3.0010", ""}, {"3-3", ""}, {"3.21403.0010", ""}, {"3.2E13.0E0", ""}, {"3.2E+013.0E+00", ""},
		{"3V3V", "V"}, {"3.2V3", "V"}, {"3.2 3.0", ""}, {"3.2\r\n3", ""},
	} {
		if x, why := parseNumber([]byte(tt.both), tt.unit); why == "" {
			t.Errorf("%q passes for %g", tt.both, x)
		}
	}
}
