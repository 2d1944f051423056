//go:build unix

package scpi_test

import (
	"math"
	"testing"
	"time"

	"nightcell/drivers"
	"nightcell/drivers/line"
	"nightcell/drivers/scpi"
	"nightcell/drivers/simulated"
)

// The simulated supply is a listener written apart from this package, from the same
// standards; what is set on it must be what is read from it, in every way of addressing.
func TestSimulated(t *testing.T) {
	for _, c := range []struct {
		name    string
		channel int
		change  func(*scpi.Dialect)
	}{
		{"alone", 1, func(*scpi.Dialect) {}},
		{"separate queries", 1, func(d *scpi.Dialect) { d.MeasureBoth = "" }},
		{"channel list", 2, func(d *scpi.Dialect) { d.Addressing = scpi.AddressList }},
		{"selected channel", 2, func(d *scpi.Dialect) { d.Addressing = scpi.AddressSelect }},
		{"selected channel, separate queries", 2, func(d *scpi.Dialect) { d.Addressing, d.MeasureBoth = scpi.AddressSelect, "" }},
		{"suffix", 2, func(d *scpi.Dialect) {
			d.MeasureBoth = "MEAS{n}:VOLT?;:MEAS{n}:CURR?"
			d.Output, d.Off = "OUTP{n}?", "OUTP{n} OFF"
			d.SetVolts, d.SetAmperes, d.SetCurrent = "SOUR{n}:VOLT?", "SOUR{n}:CURR?", "SOUR{n}:CURR"
			d.LimitVolts, d.LimitAmperes = "SOUR{n}:VOLT:PROT?", "SOUR{n}:CURR:PROT?"
			d.TripVolts, d.TripAmperes = "SOUR{n}:VOLT:PROT:TRIP?", "SOUR{n}:CURR:PROT:TRIP?"
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			cell := simulated.ZincCell()
			clock := drivers.NewClock(1)
			first := simulated.ChannelSetup{RangeVolts: 30, RangeAmperes: 5, Volts: 1, Amperes: 1, ProtectVolts: 31, ProtectAmperes: 5.4}
			second := simulated.ChannelSetup{RangeVolts: 30, RangeAmperes: 5, Volts: 8, Amperes: 2, On: true, ProtectVolts: 9, ProtectAmperes: 2.5, Cell: &cell}
			channels := []simulated.ChannelSetup{first, second}
			if c.channel == 1 {
				channels = []simulated.ChannelSetup{second, first}
			}
			instrument, err := simulated.New(simulated.Setup{Clock: clock, Seed: 1, Channels: channels})
			if err != nil {
				t.Fatal(err)
			}
			port, err := simulated.Serve(t.Context(), instrument, "")
			if err != nil {
				t.Fatal(err)
			}
			defer port.Close()
			d := scpi.Standard()
			d.Timeout = scpi.Wait(10 * time.Second)
			d.Quiet = scpi.Wait(5 * time.Millisecond)
			c.change(&d)
			supply, err := new(scpi.Rack).Open(t.Context(), scpi.Settings{Line: line.Settings{Address: port.Path()}, Dialect: d, Channel: c.channel, RangeVolts: 30, RangeAmperes: 5}, clock)
			if err != nil {
				t.Fatal(err)
			}
			defer supply.Close()
			id, err := supply.Identify(t.Context())
			if err != nil || id.String() != simulated.Identity {
				t.Errorf("identity %v, %v", id, err)
			}
			st, err := supply.Status(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if st.Output != drivers.OutputOn || st.SetVolts != 8 || st.SetAmperes != 2 || st.LimitVolts != 9 || st.LimitAmperes != 2.5 || len(st.Tripped)+len(st.Errors) != 0 {
				t.Errorf("status %+v", st)
			}
			r, err := supply.Poll(t.Context())
			if err != nil || math.Abs(float64(r.Amperes)-2) > 0.05 || r.Volts < 1 || r.Volts > 8 {
				t.Errorf("reading %+v, %v", r, err)
			}
			if err := supply.SetCurrent(t.Context(), 0.25); err != nil {
				t.Error(err)
			}
			if st, err = supply.Status(t.Context()); err != nil || st.SetAmperes != 0.25 || len(st.Errors) != 0 {
				t.Errorf("after setting the current: %+v, %v", st, err)
			}
			if err := supply.SwitchOff(t.Context()); err != nil {
				t.Error(err)
			}
			if st, err = supply.Status(t.Context()); err != nil || st.Output != drivers.OutputOff || len(st.Errors) != 0 {
				t.Errorf("after switching off: %+v, %v", st, err)
			}
			if r, err = supply.Poll(t.Context()); err != nil || math.Abs(float64(r.Amperes)) > 0.02 || r.Output != drivers.OutputOff {
				t.Errorf("reading after switching off: %+v, %v", r, err)
			}
		})
	}
}
