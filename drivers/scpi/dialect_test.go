//go:build unix

package scpi

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/BurntSushi/toml"

	"nightcell/drivers"
)

func TestStandardIsSound(t *testing.T) {
	if err := Standard().Check(); err != nil {
		t.Error(err)
	}
}

// Bits 8 to 12 of OPERation and 9 to 12 of QUEStionable are the designer's in SCPI-1999: none of them means anything by default.
func TestStandardLeavesDesignersBitsAlone(t *testing.T) {
	d := Standard()
	open := map[string]uint16{"STAT:OPER:COND?": 0x1f00, "STAT:QUES:COND?": 0x1e00}
	for _, r := range []struct {
		query string
		masks uint16
	}{
		{d.Mode, d.ModeConstantVoltage | d.ModeConstantCurrent | d.ModeUnregulated},
		{d.Trips, d.TripsVolts | d.TripsAmperes | d.TripTemperature},
	} {
		if bits, ok := open[r.query]; !ok || r.masks&bits != 0 || r.masks == 0 {
			t.Errorf("%s: mask %#x", r.query, r.masks)
		}
	}
	if d.Remote != "" || d.Local != "" {
		t.Errorf("remote %q and local %q are no part of the standard", d.Remote, d.Local)
	}
}

// Overrides in a configuration change what they name and nothing else.
func TestDialectFromTOML(t *testing.T) {
	d := Standard()
	meta, err := toml.Decode(`
measure_both = ""
mode_constant_current = 2
pause = "20 ms"
timeout = "1.5s"
open_pause = "1 min"
addressing = "list"
echo = true
reply_terminator = "\r\n"
`, &d)
	if err != nil || len(meta.Undecoded()) != 0 {
		t.Fatal(err, meta.Undecoded())
	}
	want := Standard()
	want.MeasureBoth, want.ModeConstantCurrent, want.Addressing, want.Echo, want.ReplyTerminator = "", 2, AddressList, true, "\r\n"
	want.Pause, want.Timeout, want.OpenPause = Wait(20*time.Millisecond), Wait(1500*time.Millisecond), Wait(time.Minute)
	if d != want {
		t.Errorf("got %+v, want %+v", d, want)
	}
	if err := toml.Unmarshal([]byte(`pause = "20"`), &d); err == nil || !strings.Contains(err.Error(), "not a length of time") {
		t.Errorf("a pause without a unit: %v", err)
	}
	var b strings.Builder
	if err := toml.NewEncoder(&b).Encode(want); err != nil {
		t.Fatal(err)
	}
	var again Dialect
	if err := toml.Unmarshal([]byte(b.String()), &again); err != nil || again != want {
		t.Errorf("written and read again: %+v, %v", again, err)
	}
}

// Every mistake is reported at once, each under its key.
func TestDialectCheck(t *testing.T) {
	d := Standard()
	d.Identify, d.MeasureBoth, d.MeasureVolts, d.Addressing, d.CurrentDecimals = "", "", "", "suffix", 12
	d.ModeConstantVoltage, d.Timeout, d.Off = 1, 0, "OUTP OFF\n"
	err := d.Check()
	if err == nil {
		t.Fatal("accepted")
	}
	for _, key := range []string{"identify", "measure_volts", "addressing", "current_decimals", "mode_constant_voltage", "timeout", "off"} {
		if !strings.Contains("\n"+err.Error(), "\n"+key+": ") {
			t.Errorf("%s is not named in:\n%v", key, err)
		}
	}
	for _, f := range []func(*Dialect){
		func(d *Dialect) { d.Addressing, d.ChannelList = AddressList, "(@1)" },
		func(d *Dialect) { d.Addressing, d.Select = AddressSelect, "INST:NSEL 1" },
		func(d *Dialect) { d.Addressing, d.Selected = AddressSelect, "" },
		func(d *Dialect) { d.BothSeparator = "" },
		func(d *Dialect) { d.Pause = -1 },
	} {
		d := Standard()
		f(&d)
		if d.Check() == nil {
			t.Errorf("accepted %+v", d)
		}
		if _, err := new(Rack).Open(t.Context(), Settings{Dialect: d}, drivers.NewClock(1)); err == nil || errors.Is(err, drivers.ErrGone) {
			t.Errorf("opened with %+v: %v", d, err)
		}
	}
}

// speaking opens a supply over a dialect and returns what it sends for a poll, a status and a change of current.
func speaking(t *testing.T, p *peer, channel int, f func(*Dialect)) (c *Supply, heard func() []string) {
	t.Helper()
	d := quick()
	f(&d)
	s := settings(t, p.onTCP(t), d)
	s.Channel, s.StatusEvery = channel, -1
	return mustOpen(t, s), p.heard
}

func TestAddressing(t *testing.T) {
	t.Run("list", func(t *testing.T) {
		p := newPeer()
		for q, a := range map[string]string{"MEAS:VOLT? (@2)": "3.2140", "MEAS:CURR? (@2)": "3.0010", "CURR? (@2)": "3.0000", "OUTP? (@2)": "1", "OUTP OFF,(@2)": "", "CURR 0.2000,(@2)": ""} {
			p.set(q, a)
		}
		c, heard := speaking(t, p, 2, func(d *Dialect) { d.Addressing = AddressList })
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.214, 3.001)
		if err := c.SetCurrent(t.Context(), 0.2); err != nil {
			t.Error(err)
		}
		if err := c.SwitchOff(t.Context()); err != nil {
			t.Error(err)
		}
		h := heard()
		for _, want := range []string{"MEAS:VOLT? (@2);:MEAS:CURR? (@2)", "STAT:QUES:COND?", "CURR 0.2000,(@2)", "OUTP OFF,(@2)"} {
			if !slices.Contains(h, want) {
				t.Errorf("%q was not sent, but %q", want, h)
			}
		}
	})
	t.Run("number in the header", func(t *testing.T) {
		p := newPeer()
		p.set("MEAS3:VOLT?", "1.5000")
		p.set("MEAS3:CURR?", "0.5000")
		c, _ := speaking(t, p, 3, func(d *Dialect) {
			d.MeasureBoth, d.MeasureVolts, d.MeasureAmperes = "", "MEAS{n}:VOLT?", "MEAS{n}:CURR?"
		})
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 1.5, 0.5)
	})
	for name, both := range map[string]string{"select together": Standard().MeasureBoth, "select separately": ""} {
		t.Run(name, func(t *testing.T) {
			p := newPeer()
			p.set("INST:NSEL?", "1")
			p.each = func() { // the selection acts from the next message on
				if n := len(p.asked); p.asked[n-1] == "INST:NSEL 2" {
					p.answers["INST:NSEL?"] = "2"
				}
			}
			p.set("INST:NSEL 2", "")
			c, heard := speaking(t, p, 2, func(d *Dialect) { d.Addressing, d.MeasureBoth = AddressSelect, both })
			for range 2 {
				r, err := c.Poll(t.Context())
				if err != nil {
					t.Fatal(err)
				}
				wantReading(t, r, 3.214, 3.001)
				if n := count(heard(), "INST:NSEL 2"); n != 1 {
					t.Errorf("the channel was selected %d times", n)
				}
				p.set("INST:NSEL?", "1") // somebody at the front panel
			}
			if err := c.SwitchOff(t.Context()); err != nil {
				t.Error(err)
			}
			p.set("INST:NSEL 2", "?") // now it does not obey: another channel must not be switched off
			p.mu.Lock()
			p.each = nil
			p.mu.Unlock()
			p.set("INST:NSEL?", "1")
			heard()
			if err := c.SwitchOff(t.Context()); err == nil {
				t.Error("switched off without the channel selected")
			}
			if slices.Contains(heard(), "OUTP OFF") {
				t.Error("OUTP OFF went to another channel")
			}
		})
	}
}

func TestManners(t *testing.T) {
	t.Run("remote and local", func(t *testing.T) {
		p := newPeer()
		p.set("SYST:KLOC ON", "")
		p.set("SYST:KLOC OFF", "")
		c, heard := speaking(t, p, 1, func(d *Dialect) { d.Remote, d.Local = "SYST:KLOC ON", "SYST:KLOC OFF" })
		if h := heard(); h[0] != "SYST:KLOC ON" {
			t.Errorf("began with %q", h)
		}
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
		// The far end reads on after the line is closed, so what it heard last is known once it has ended.
		deadline := time.After(2 * time.Minute)
		for h := heard(); !slices.Contains(h, "SYST:KLOC OFF"); h = heard() {
			select {
			case <-deadline:
				t.Fatalf("ended with %q", h)
			case <-time.After(time.Millisecond):
			}
		}
	})
	t.Run("units, order and separator", func(t *testing.T) {
		p := newPeer()
		p.set("IV?", "3.0010A,3.2140V")
		c, _ := speaking(t, p, 1, func(d *Dialect) {
			d.MeasureBoth, d.BothSeparator, d.BothAmperesFirst, d.VoltsUnit, d.AmperesUnit = "IV?", ",", true, "V", "A"
		})
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.214, 3.001)
		p.set("IV?", "3.2140V,3.0010A")
		_, err = c.Poll(t.Context())
		wantRefusal(t, err, drivers.NotNumeric)
	})
	t.Run("a pause between commands", func(t *testing.T) {
		const pause = 30 * time.Millisecond
		p := newPeer()
		var at []time.Time
		p.each = func() { at = append(at, time.Now()) }
		d := Standard()
		d.Pause = Wait(pause)
		inBubble(t, p, Settings{Dialect: d}, func(t *testing.T, c *Supply) {
			if _, err := c.Poll(t.Context()); err != nil {
				t.Fatal(err)
			}
			p.mu.Lock()
			defer p.mu.Unlock()
			if len(at) < 3 {
				t.Fatalf("only %d commands", len(at))
			}
			for i := 1; i < len(at); i++ {
				if d := at[i].Sub(at[i-1]); d < pause {
					t.Errorf("only %v between commands, want %v", d, pause)
				}
			}
		})
	})
}

// A supply that does not know the combined query is asked for each alone, after one attempt.
func TestNoCombinedQuery(t *testing.T) {
	for name, answer := range map[string]string{"says nothing": "", "answers the first alone": "3.2140", "answers with text": "ERR"} {
		t.Run(name, func(t *testing.T) {
			p := newPeer()
			both := Standard().MeasureBoth
			p.mangling(func(q, a string) []piece {
				switch {
				case q == both && answer == "":
					return nil
				case q == both:
					return []piece{{0, answer + "\n"}}
				case a == "\n":
					return nil
				}
				return []piece{{0, a}}
			})
			inBubble(t, p, Settings{}, func(t *testing.T, c *Supply) {
				for range 3 {
					r, err := c.Poll(t.Context())
					if err != nil {
						t.Fatal(err)
					}
					wantReading(t, r, 3.214, 3.001)
				}
				if n := count(p.heard(), both); n != 1 {
					t.Errorf("the combined query was sent %d times", n)
				}
			})
		})
	}
}

func TestModes(t *testing.T) {
	d := Standard()
	d.ModeUnregulated = 64
	for register, want := range map[uint16]drivers.Mode{
		2: drivers.ConstantVoltage, 1: drivers.ConstantCurrent, 3: drivers.Unregulated, 64: drivers.Unregulated, 0: drivers.ModeUnknown, 1 + 16: drivers.ConstantCurrent,
	} {
		if got := d.modeOf(register); got != want {
			t.Errorf("register %d: %v, want %v", register, got, want)
		}
	}
}
