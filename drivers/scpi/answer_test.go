//go:build unix

package scpi

import (
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
)

// How real supplies write their answers, each told to the driver as data.
func TestAnswersAsTheDialectSays(t *testing.T) {
	type read func(*Dialect) func([]byte, string) (float64, drivers.Reason)
	number := func(d *Dialect) func([]byte, string) (float64, drivers.Reason) { return d.number }
	leveled := func(d *Dialect) func([]byte, string) (float64, drivers.Reason) { return level(d.number) }
	output := func(d *Dialect) func([]byte, string) (float64, drivers.Reason) { return d.outputState }
	mode := func(d *Dialect) func([]byte, string) (float64, drivers.Reason) { return d.mode }
	channel := func(d *Dialect) func([]byte, string) (float64, drivers.Reason) { return d.channel }
	headers := func(d *Dialect) { d.Headers = true }
	bits := func(d *Dialect) { d.OutputOn = 1 << 2 }
	raw := func(d *Dialect) {
		d.RegisterByte, d.OutputOn, d.ModeConstantVoltage, d.ModeConstantCurrent, d.ModeOtherwise = true, 1<<2, 1<<4, 0, "constant-current"
	}
	named := func(d *Dialect) { d.SelectedAnswer = "CH{n}" }
	for _, c := range []struct {
		name, in, unit string
		read           read
		set            func(*Dialect)
		want           float64
		why            drivers.Reason
	}{
		{name: "header", in: "VOLT 12.0", read: number, set: headers, want: 12},
		{name: "header and unit", in: "V1 12.0 V", unit: "V", read: number, set: headers, want: 12},
		{name: "header lost", in: "12.0", read: number, set: headers, why: drivers.NotNumeric},
		{name: "header cut", in: "VOLT", read: number, set: headers, why: drivers.NotNumeric},
		{name: "nothing", in: "", read: number, set: headers, why: drivers.Blank},
		{name: "header nobody announced", in: "VOLT 12.0", read: number, why: drivers.NotNumeric},
		{name: "unit lost from a measured value", in: "12.0", unit: "V", read: number, why: drivers.NotNumeric},
		{name: "set-point without its unit", in: "12.0", unit: "V", read: leveled, want: 12},
		{name: "set-point with its unit", in: "12.0V", unit: "V", read: leveled, want: 12},
		{name: "set-point in another unit", in: "12.0A", unit: "V", read: leveled, why: drivers.NotNumeric},
		{name: "output with a header", in: "OUTP ON", read: output, set: headers, want: 1},
		{name: "output bit set", in: "0x0C", read: output, set: bits, want: 1},
		{name: "output bit clear", in: "8", read: output, set: bits, want: 0},
		{name: "output register garbled", in: "ON", read: output, set: bits, why: drivers.NotNumeric},
		{name: "output in a raw byte", in: "\x14", read: output, set: raw, want: 1},
		{name: "all off in a raw byte", in: "\x00", read: output, set: raw, want: 0},
		{name: "a raw byte that looks like a line end", in: "\n", read: output, set: raw, want: 0},
		{name: "two raw bytes", in: "\x14\x14", read: output, set: raw, why: drivers.NotNumeric},
		{name: "mode in a raw byte", in: "\x14", read: mode, set: raw, want: float64(drivers.ConstantVoltage)},
		{name: "mode by a clear bit", in: "\x04", read: mode, set: raw, want: float64(drivers.ConstantCurrent)},
		{name: "mode as a word", in: "cc", read: mode, want: float64(drivers.ConstantCurrent)},
		{name: "mode as a word of its own", in: "OFF", read: mode, set: func(d *Dialect) { d.ModeUnregulatedWord = "OFF" }, want: float64(drivers.Unregulated)},
		{name: "mode as an unknown word", in: "CP", read: mode, want: float64(drivers.ModeUnknown)},
		{name: "a garbled mode", in: "C?", read: mode, why: drivers.NotNumeric},
		{name: "mode in a hexadecimal register", in: "#H2", read: mode, want: float64(drivers.ConstantVoltage)},
		{name: "volts questionable", in: "1", read: mode, want: float64(drivers.ConstantCurrent)},
		{name: "both questionable", in: "3", read: mode, want: float64(drivers.Unregulated)},
		{name: "every bit that the standard leaves open", in: "7680", read: mode, want: float64(drivers.ModeUnknown)},
		{name: "a mode in a word nobody named", in: "UR", read: mode, want: float64(drivers.ModeUnknown)},
		{name: "channel by name", in: "ch2", read: channel, set: named, want: 2},
		{name: "channel by number", in: "+2", read: channel, want: 2},
		{name: "another name", in: "P2", read: channel, set: named, why: drivers.NotNumeric},
		{name: "a name without number", in: "CH", read: channel, set: named, why: drivers.Blank},
		{name: "no channel", in: "", read: channel, set: named, why: drivers.Blank},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := Standard()
			if c.set != nil {
				c.set(&d)
			}
			if err := d.Check(); err != nil {
				t.Fatal(err)
			}
			got, why := c.read(&d)([]byte(c.in), c.unit)
			if why != c.why || why == "" && got != c.want {
				t.Errorf("%q: %v, %q; want %v, %q", c.in, got, why, c.want, c.why)
			}
		})
	}
}

func TestDialectMistakesOfAnswers(t *testing.T) {
	for key, f := range map[string]func(*Dialect){
		"selected_answer":            func(d *Dialect) { d.Addressing, d.SelectedAnswer = AddressSelect, "CH" },
		"mode_otherwise":             func(d *Dialect) { d.ModeOtherwise = "cc" },
		"mode_constant_voltage_word": func(d *Dialect) { d.ModeConstantCurrentWord = "cv" },
		"terminator":                 func(d *Dialect) { d.Terminator = ";OUTP OFF\n" },
		"reply_silence":              func(d *Dialect) { d.ReplySilence, d.ReplyTerminator = Wait(time.Millisecond), "\r" },
	} {
		d := Standard()
		f(&d)
		if err := d.Check(); err == nil || !strings.HasPrefix(err.Error(), key+": ") || !strings.Contains(err.Error(), "; ") {
			t.Errorf("%s: %v", key, err)
		}
	}
}

func TestSelectedByName(t *testing.T) {
	p := newPeer()
	p.set("INST?", "CH1")
	p.set("INST CH2", "")
	p.each = func() { // the selection acts from the next message on
		if n := len(p.asked); p.asked[n-1] == "INST CH2" {
			p.answers["INST?"] = "CH2"
		}
	}
	c, heard := speaking(t, p, 2, func(d *Dialect) {
		d.Addressing, d.Select, d.Selected, d.SelectedAnswer = AddressSelect, "INST CH{n}", "INST?", "CH{n}"
	})
	r, err := c.Poll(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	wantReading(t, r, 3.214, 3.001)
	if n := count(heard(), "INST CH2"); n != 1 {
		t.Errorf("the channel was selected %d times", n)
	}
}

// A supply that has told its mode in words says another while its output is off: the reading counts, or
// no off could be verified.
func TestAnotherWordForTheMode(t *testing.T) {
	p := newPeer()
	p.set("HELD?", "CC")
	c, _ := speaking(t, p, 1, func(d *Dialect) { d.Mode = "HELD?" })
	c.settings.StatusEvery = 1
	for _, want := range []drivers.Mode{drivers.ConstantCurrent, drivers.ModeUnknown} {
		r, err := c.Poll(t.Context())
		if err != nil || r.Mode != want {
			t.Errorf("mode %v, %v; want %v", r.Mode, err, want)
		}
		p.set("HELD?", "OFF")
	}
}

func TestFormOfTheSetCommand(t *testing.T) {
	p := newPeer()
	p.set("AIM1=0.200!", "")
	c, heard := speaking(t, p, 1, func(d *Dialect) { d.SetCurrent, d.CurrentDecimals = "AIM{n}={amperes}!", 3 })
	if err := c.SetCurrent(t.Context(), 0.2); err != nil {
		t.Fatal(err)
	}
	if h := heard(); count(h, "AIM1=0.200!") != 1 {
		t.Errorf("sent %q", h)
	}
}

// A query that this supply is slow to answer is not taken for one that it does not know,
// though it answers who it is at once; the error queue likewise.
func TestSlowIsNotUnknown(t *testing.T) {
	p := newPeer()
	p.mangling(func(q, a string) []piece {
		if q == "CURR?" || q == "SYST:ERR?" {
			return []piece{{600 * time.Millisecond, a}}
		}
		return []piece{{0, a}}
	})
	p.queue = []string{`-222,"Data out of range"`}
	inBubble(t, p, Settings{}, func(t *testing.T, c *Supply) {
		st, err := c.Status(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if st.SetAmperes != 3 {
			t.Errorf("the slow set-point is %v, want 3", st.SetAmperes)
		}
		if c.knows.unknown["SYST:ERR?"] || len(c.knows.unknown) > 0 {
			t.Errorf("taken for unknown: %v", c.knows.unknown)
		}
	})
}

// bare is a supply without line ends that tells its state in one raw byte.
type bare struct {
	mu    sync.Mutex
	on    bool
	amps  string
	heard []string
}

func (b *bare) answer(q string) string {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.heard = append(b.heard, q)
	switch q {
	case "*IDN?":
		return "EXAMPLE PS-30-5 V1.0"
	case "NOWV1?":
		return "03.21"
	case "NOWA1?":
		return b.amps
	case "AIMV1?":
		return "06.00"
	case "AIMA1?":
		return "3.000"
	case "HOW?":
		if b.on {
			return "\x08" // constant current
		}
		return "\x00"
	case "REST1":
		b.on = false
	}
	return ""
}

func TestSupplyWithoutLineEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		near, far := net.Pipe()
		b := &bare{on: true, amps: "3.001"}
		var done sync.WaitGroup
		done.Go(func() {
			for buf := make([]byte, 64); ; {
				n, err := far.Read(buf)
				if err != nil {
					return
				}
				a := b.answer(string(buf[:n]))
				for _, piece := range []string{a[:len(a)/2], a[len(a)/2:]} { // in two pieces, as adapters hand them over
					if _, err := io.WriteString(far, piece); piece != "" && err != nil {
						return
					}
					<-time.After(5 * time.Millisecond)
				}
			}
		})
		d := Standard()
		d.MeasureBoth, d.MeasureVolts, d.MeasureAmperes, d.SetVolts, d.SetAmperes = "", "NOWV{n}?", "NOWA{n}?", "AIMV{n}?", "AIMA{n}?"
		d.LimitVolts, d.LimitAmperes, d.TripVolts, d.TripAmperes, d.Trips, d.Errors = "", "", "", "", "", ""
		d.Output, d.OutputOn, d.Mode, d.RegisterByte, d.Off = "HOW?", 1<<3, "HOW?", true, "REST{n}"
		d.ModeConstantVoltage, d.ModeConstantCurrent, d.ModeOtherwise = 1<<4, 0, "constant-current"
		d.Terminator, d.ReplySilence = NoTerminator, Wait(30*time.Millisecond)
		s := Settings{Dialect: d, RangeVolts: 32, RangeAmperes: 5}.withDefaults()
		if err := s.Dialect.Check(); err != nil {
			t.Fatal(err)
		}
		in, err := meet(t.Context(), line.New(near, s.Line), s)
		if err != nil {
			t.Fatal(err)
		}
		c := newSupply(s, &shared{in: in, users: 1, settings: s}, drivers.NewClock(1))
		if in.identity.Maker != "EXAMPLE PS-30-5 V1.0" {
			t.Errorf("identity %q", in.identity.Maker)
		}
		st, err := c.Status(t.Context())
		if err != nil || st.SetAmperes != 3 || st.SetVolts != 6 || st.Output != drivers.OutputOn || st.Mode != drivers.ConstantCurrent {
			t.Errorf("status %+v, %v", st, err)
		}
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.21, 3.001)
		if err := c.SwitchOff(t.Context()); err != nil {
			t.Fatal(err)
		}
		if st, err = c.Status(t.Context()); err != nil || st.Output != drivers.OutputOff {
			t.Errorf("after off: %+v, %v", st, err)
		}
		b.mu.Lock()
		for _, q := range b.heard {
			if strings.ContainsAny(q, "\r\n") {
				t.Errorf("%q was sent with a line end", q)
			}
		}
		b.amps = "3.001 3.2" // two answers run together
		b.mu.Unlock()
		_, err = c.Poll(t.Context())
		wantRefusal(t, err, drivers.NotNumeric)
		if err := c.Close(); err != nil {
			t.Error(err)
		}
		far.Close()
		done.Wait()
	})
}

// TestLateVoltsAreNoChannel, whichever channel they would be cut to.
func TestLateVoltsAreNoChannel(t *testing.T) {
	d := Standard()
	for answer, want := range map[string]drivers.Reason{"1": "", "+1.0E0": "", "1.214": drivers.NotNumeric, "0.5": drivers.NotNumeric} {
		if x, why := d.channel([]byte(answer), ""); why != want {
			t.Errorf("%q: channel %g, %q", answer, x, why)
		}
	}
}

// TestHeaderOfAnotherQuery tells a late or swapped answer by its header.
func TestHeaderOfAnotherQuery(t *testing.T) {
	d := Dialect{Headers: true}
	for _, tt := range []struct {
		query, answer string
		want          bool
	}{
		{"MEAS:VOLT?", "VOLT 12.0", true},
		{"MEAS:VOLT?", ":MEASURE:VOLTAGE 12.0", true},
		{"MEASURE:VOLTAGE?", "meas:volt\t12.0", true},
		{"MEAS:VOLT? (@2)", "MEAS:VOLT 12.0", true},
		{"MEAS:VOLT?", "CURR 1.0", false},
		{"MEAS:VOLT?", "MEAS:CURR 1.0", false},
		{"VOLT?", "SOUR:VOLT 6.0", true},
		{"VOLT?", "MEAS:VOLT 12.0", false},
		{"VOLT:PROT?", "VOLT 12.0", false},
		{"VOLT?", "VOLT:PROT 7.0", false},
		{"OUTPUT?", "OUTP ON", true},
		{"INP:DIGITAL?", "DIG 1", true}, // the fourth letter is a vowel
		{"INP:DIGITAL?", "DIGI 1", false},
		{"NOWV1?", "NOWV1 12.0", true},
		{"NOWV1?", "NOWV2 12.0", false},
		{"NOWV2?", "NOWV 12.0", true},
		{"OUTP?", "OUTP1 ON", true},
		{"OUTP?", "OUTP2 ON", false},
		{"NOWV1?", "12.0", true}, // refused for want of a header, elsewhere
		{"", "VOLT 12.0", true},
	} {
		if got := d.answers([]byte(tt.answer), tt.query); got != tt.want {
			t.Errorf("%q to %q: %v", tt.answer, tt.query, got)
		}
	}
}

// TestSwappedHeadersAreRefused and counted, asked together or each alone.
func TestSwappedHeadersAreRefused(t *testing.T) {
	for name, both := range map[string]string{"together": "MEAS:VOLT?;:MEAS:CURR?", "from where the first was": "MEAS:VOLT?;CURR?", "each alone": ""} {
		t.Run(name, func(t *testing.T) {
			p := newPeer()
			p.mangling(func(q, a string) []piece { // CURR? is of a short path here, and told by its own name
				for _, h := range []struct{ query, volts, amperes string }{
					{"MEAS:VOLT?;:MEAS:CURR?", "VOLT", "CURR"}, {"MEAS:VOLT?;CURR?", ":MEAS:VOLT", ":MEAS:CURR"},
				} {
					if q == h.query {
						return []piece{{0, h.volts + " 3.2140;" + h.amperes + " 3.0010\n"}}
					}
				}
				if word, ok := map[string]string{"MEAS:VOLT?": "VOLT ", "MEAS:CURR?": "CURR ", "OUTP?": "OUTP ", "CURR?": "CURR ", "STAT:OPER:COND?": "COND "}[q]; ok {
					a = word + a
				}
				return []piece{{0, a}}
			})
			c, _ := speaking(t, p, 1, func(d *Dialect) { d.Headers, d.MeasureBoth = true, both })
			r, err := c.Poll(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			wantReading(t, r, 3.214, 3.001)
			p.mangling(func(q, a string) []piece { // near enough for a reading, were it not for the headers
				switch q {
				case "MEAS:VOLT?;:MEAS:CURR?", "MEAS:VOLT?;CURR?":
					a = "CURR 3.2140;VOLT 3.0010\n"
				case "MEAS:VOLT?":
					a = "CURR 3.2140\n"
				case "MEAS:CURR?":
					a = "VOLT 3.0010\n"
				}
				return []piece{{0, a}}
			})
			before := c.refusals
			var refused *drivers.Refusal
			if r, err := c.Poll(t.Context()); !errors.As(err, &refused) || refused.Reason != drivers.Unasked || c.refusals == before {
				t.Errorf("%+v, %v", r, err)
			}
		})
	}
}
