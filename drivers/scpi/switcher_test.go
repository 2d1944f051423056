//go:build unix

package scpi

import (
	"math"
	"slices"
	"strings"
	"testing"

	"nightcell/drivers"
)

func TestSwitchOff(t *testing.T) {
	p := newPeer()
	p.set("OUTP OFF", "")
	p.each = func() {
		if p.asked[len(p.asked)-1] == "OUTP OFF" {
			p.answers["OUTP?"], p.answers["MEAS:CURR?"] = "0", "0.0000"
		}
	}
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	if _, err := c.Poll(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := c.SwitchOff(t.Context()); err != nil {
		t.Fatal(err)
	}
	st, err := c.Status(t.Context())
	if err != nil || st.Output != drivers.OutputOff {
		t.Errorf("status %+v, %v", st, err)
	}
	r, err := c.Poll(t.Context())
	if err != nil || r.Output != drivers.OutputOff || r.Amperes != 0 {
		t.Errorf("reading %+v, %v", r, err)
	}
}

// The command to switch off goes out even when no answer has come for a while.
func TestSwitchOffOnABadLine(t *testing.T) {
	p := newPeer()
	p.set("OUTP OFF", "OK") // some firmware answers commands too
	inBubble(t, p, Settings{}, func(t *testing.T, c *Supply) {
		p.mangling(func(string, string) []piece { return nil })
		for range 2 {
			_, err := c.Poll(t.Context())
			wantRefusal(t, err, drivers.NoReply)
		}
		p.heard()
		if err := c.SwitchOff(t.Context()); err != nil {
			t.Fatal(err)
		}
		if h := p.heard(); !slices.Contains(h, "OUTP OFF") {
			t.Errorf("OUTP OFF was not sent, but %q", h)
		}
		p.mangling(nil)
		if err := c.SwitchOff(t.Context()); err != nil { // with the answer nobody asked for
			t.Fatal(err)
		}
		r, err := c.Poll(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		wantReading(t, r, 3.214, 3.001)
	})
}

func TestSetCurrent(t *testing.T) {
	p := newPeer()
	c := mustOpen(t, settings(t, p.onTCP(t), quick()))
	for _, cse := range []struct {
		a    drivers.Amperes
		sent string // or
		why  string
	}{
		{a: 0.2, sent: "CURR 0.2000"}, {a: 0, sent: "CURR 0.0000"}, {a: 3, sent: "CURR 3.0000"},
		{a: 0.29999999, sent: "CURR 0.2999"}, {a: 0.29, sent: "CURR 0.2900"},
		{a: 3.01, why: "never raises"}, {a: -1, why: "range"}, {a: drivers.Amperes(math.NaN()), why: "range"}, {a: 6, why: "range"},
	} {
		p.set(cse.sent, "")
		p.heard()
		err := c.SetCurrent(t.Context(), cse.a)
		if cse.why != "" {
			if err == nil || !strings.Contains(err.Error(), cse.why) {
				t.Errorf("%v A: %v, want an error that says %q", cse.a, err, cse.why)
			}
			for _, q := range p.heard() {
				if strings.HasPrefix(q, "CURR ") {
					t.Errorf("%v A: %q was sent", cse.a, q)
				}
			}
			continue
		}
		if err != nil {
			t.Errorf("%v A: %v", cse.a, err)
		}
		if _, err := c.Status(t.Context()); err != nil { // by its answer the command has been heard
			t.Error(err)
		}
		if h := p.heard(); !slices.Contains(h, cse.sent) {
			t.Errorf("%v A: %q was not sent, but %q", cse.a, cse.sent, h)
		}
	}
	p.unknown("CURR?")
	d := quick()
	d.SetAmperes = ""
	s := settings(t, "", d)
	other := &Supply{instrument: c.instrument, settings: s}
	if err := other.SetCurrent(t.Context(), 0.1); err == nil || !strings.Contains(err.Error(), "switch off instead") {
		t.Errorf("without a set-point to compare with: %v", err)
	}
	d.SetCurrent, d.Off = "", ""
	mute := mustOpen(t, settings(t, newPeer().onTCP(t), d))
	if err := mute.SetCurrent(t.Context(), 0.1); err == nil || !strings.Contains(err.Error(), "set_current") {
		t.Errorf("without a command: %v", err)
	}
	if err := mute.SwitchOff(t.Context()); err == nil || !strings.Contains(err.Error(), "off") {
		t.Errorf("without a command: %v", err)
	}
}

// TestMilliamperes: a supply that reckons in mA is read in A and set in mA, and one in mV read in V.
func TestMilliamperes(t *testing.T) {
	p := newPeer()
	for q, a := range map[string]string{"MEAS:VOLT?": "3214", "MEAS:CURR?": "2998mA", "VOLT?": "6000", "CURR?": "3000", "VOLT:PROT?": "7000", "CURR:PROT?": "3300", "CURR 2500": ""} {
		p.set(q, a)
	}
	d := quick()
	d.Milliamperes, d.Millivolts, d.AmperesUnit, d.CurrentDecimals = true, true, "mA", 0
	c := mustOpen(t, settings(t, p.onTCP(t), d))
	r, err := c.Poll(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	wantReading(t, r, 3.214, 2.998)
	st, err := c.Status(t.Context())
	if err != nil || st.SetVolts != 6 || st.SetAmperes != 3 || st.LimitVolts != 7 || st.LimitAmperes != 3.3 {
		t.Errorf("%+v, %v", st, err)
	}
	if err := c.SetCurrent(t.Context(), 2.5); err != nil || !slices.Contains(p.heard(), "CURR 2500") {
		t.Errorf("%v, %v", err, p)
	}
}
